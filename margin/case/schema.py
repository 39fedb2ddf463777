"""Models of the whole case file, made from what the elements declare; and the JSON Schema for editors."""

from __future__ import annotations

import dataclasses
import json
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, Literal, Union, get_args

from pydantic import (
    BaseModel,
    BeforeValidator,
    Field,
    PlainValidator,
    TypeAdapter,
    WithJsonSchema,
    create_model,
)
from pydantic.json_schema import GenerateJsonSchema

from margin.calibration.station import Station
from margin.case import units
from margin.case.datasheet import LINE_NAMES, LOOPS, OF, WRITTEN, example
from margin.case.faults import ValueFault, as_written
from margin.case.grammar import read_text
from margin.case.names import OneLine
from margin.case.quantity import Place
from margin.case.service import QUANTITIES, ServiceTable
from margin.case.spread_table import SHAPES, TABLE_KEYS, read_any
from margin.case.tables import (
    COUNTS,
    CalibrationTable,
    CaseTable,
    DependenceTable,
    DesignCurveTable,
    HistoryTable,
    LoadTable,
    RequirementTable,
    SharedTable,
    StudyTable,
    Table,
)
from margin.case.types import ROLES, Quantity, Role
from margin.case.use import Use
from margin.chain.parameter import LEVELS, Option, options_of, parameters_of
from margin.chain.registry import ELEMENTS

SHIPPED = Path(__file__).with_name("case.schema.json")
REQUIRED_TABLES = ("load", "requirement", "sensor", "circuit")
ABSENT: dict[str, dict[str, Any]] = {"interface": {"kind": "direct"}, "converter": {"bits": 0}}
"""What an absent table stands for, where its keys have no defaults of their own: the ideal element."""

_QUANTITY_TABLE, _FIGURE_TABLE = "QuantityTable", "FigureTable"


def kinds_of(role: Role) -> dict[str, type]:
    """Element classes of a role by kind, those of a user's own included."""
    if role == "use":
        return {Use.kind: Use}
    if role == "station":
        return {Station.kind: Station}
    return dict(ELEMENTS[role])


def quantities_of(cls: type) -> list[str]:
    """Fields of an element that a case may state: its standardised draws are left out."""
    return [name for name, declared in parameters_of(cls).items() if declared.draw is None]


def case_model() -> type[BaseModel]:
    """Model of the whole file for the elements known now."""
    return _case_model(tuple((role, tuple(kinds_of(role).items())) for role in ROLES))


@lru_cache(maxsize=8)
def _case_model(known: tuple[tuple[Role, tuple[tuple[str, type], ...]], ...]) -> type[BaseModel]:
    fields: dict[str, Any] = {
        "case": (CaseTable, Field(default=None, validate_default=False)),
        "load": (LoadTable, Field()),
        "requirement": (RequirementTable, Field()),
    }
    for role, kinds in known:
        models = [element_model(role, kind, cls) for kind, cls in kinds]
        if len(models) > 1:
            annotation: Any = Annotated[Union[tuple(models)], Field(discriminator="kind")]  # noqa: UP007
        else:
            annotation = models[0]
        required = role in REQUIRED_TABLES
        fields[role] = (annotation, Field() if required else Field(default=None, validate_default=False))
    fields["design_curve"] = (DesignCurveTable, Field(default=None, validate_default=False))
    fields["history"] = (HistoryTable, Field(default=None, validate_default=False))
    fields["service"] = (_service_model(), Field(default=None, validate_default=False))
    fields["calibration"] = (list[CalibrationTable], Field(default=None, validate_default=False))
    fields["shared"] = (list[SharedTable], Field(default=None, validate_default=False))
    fields["dependence"] = (list[DependenceTable], Field(default=None, validate_default=False))
    fields["study"] = (StudyTable, Field(default=None, validate_default=False))
    return create_model(
        "CaseFile", __base__=Table, __doc__="A force-sensing product and its study.", **fields
    )


@lru_cache(maxsize=128)
def table_adapter(model: type[BaseModel], name: str) -> TypeAdapter[Any]:
    """What checks one table; made once, because making it is slow."""
    declared = model.model_fields[name]
    annotation: Any = declared.annotation
    if declared.discriminator is not None:
        annotation = Annotated[annotation, Field(discriminator=declared.discriminator)]
    return TypeAdapter(annotation)


def table_model(name: str, value: Any, model: type[BaseModel]) -> type[BaseModel]:
    """Model whose keys a message may offer."""
    annotation: Any = model.model_fields[name].annotation
    models = [
        each
        for each in (annotation, *get_args(annotation))
        if isinstance(each, type) and issubclass(each, BaseModel)
    ]
    kind = value.get("kind") if isinstance(value, dict) else None
    for each in models:
        declared = each.model_fields.get("kind")
        if declared is not None and declared.default == kind:
            return each
    return models[0] if models else model


def element_model(role: Role, kind: str, cls: type) -> type[BaseModel]:
    """Model of one element's table: a key for each quantity and choice, and `kind`."""
    fields: dict[str, Any] = {"kind": (Literal[kind], Field(default=kind, description=f"kind of {role}"))}
    for name in quantities_of(cls):
        place = Place(role, name, parameters_of(cls)[name])
        fields[name] = (_quantity_type(place), _quantity_field(place))
    for name, declared in options_of(cls).items():
        fields[name] = (_option_type(declared), _option_field(cls, name, declared))
    if role == "use":
        fields |= COUNTS
        condition: Any = list[_condition_model()]  # type: ignore[misc]
        described = Field(default=None, validate_default=False, description="named conditions of use")
        fields["condition"] = (condition, described)
    title = "".join(word.capitalize() for word in f"{role} {kind}".replace("-", " ").split())
    summary = (cls.__doc__ or "").strip().split("\n")[0]
    return create_model(title, __base__=Table, __doc__=summary, **fields)


def _condition_model() -> type[BaseModel]:
    fields: dict[str, Any] = {
        "name": (OneLine, Field(min_length=1, max_length=80, description="name of the condition"))
    }
    for name in quantities_of(Use):
        place = Place("use", name, parameters_of(Use)[name])
        fields[name] = (
            _quantity_type(place),
            Field(default=None, validate_default=False, description=place.declared.doc),
        )
    fields["direction"] = (
        Literal["up", "down", "either"] | None,
        Field(default=None, description="branch of the load cycle, where it differs"),
    )
    summary = "A named condition of use: what it states replaces what [use] states."
    return create_model("UseCondition", __base__=Table, __doc__=summary, **fields)


def _service_model() -> type[BaseModel]:
    fields: dict[str, Any] = {}
    for name, of_use in QUANTITIES.items():
        declared = parameters_of(Use)[of_use]
        described = declared.doc if name == of_use else "load cycles in a day of service"
        place = Place("use", of_use, declared)
        fields[name] = (
            _quantity_type(place),
            Field(default=None, validate_default=False, description=described),
        )
    return create_model("Service", __base__=ServiceTable, __doc__=ServiceTable.__doc__, **fields)


def _quantity_type(place: Place) -> Any:
    def read(value: Any) -> Quantity:
        return read_any(value, place)

    table = _FIGURE_TABLE if place.declared.figure in WRITTEN else _QUANTITY_TABLE
    forms: list[dict[str, Any]] = [{"type": "string"}, {"title": table}]
    if not units.unit(place.declared.unit).dimension:
        forms.insert(1, {"type": "number"})
    return Annotated[Any, PlainValidator(read), WithJsonSchema({"anyOf": forms})]


def _quantity_field(place: Place) -> Any:
    declared = place.declared
    shown = f" ({declared.unit})" if declared.unit else ""
    description = f"{declared.doc}{shown}; a spread varies per {declared.level} unless it says otherwise"
    extra: dict[str, Any] = {"examples": [place.example]}
    if declared.figure in WRITTEN:
        extra["examples"].append(example(declared.figure))
        description += f"; or the {declared.figure} of a datasheet, such as {example(declared.figure)}"
    if declared.default is None:
        return Field(description=description, json_schema_extra=extra)
    if declared.default_from is None:
        extra["default"] = units.show(declared.default, declared.unit)
    return Field(default=None, validate_default=False, description=description, json_schema_extra=extra)


def _option_type(declared: Option) -> Any:
    if declared.choices is not None:
        return Literal[declared.choices]
    if declared.kind is tuple:
        return Annotated[tuple[float, ...], BeforeValidator(_numbers), WithJsonSchema(_NUMBERS)]
    if declared.kind is float:
        return Annotated[float, Field(allow_inf_nan=False)]
    if declared.kind is int:
        return Annotated[int, Field(ge=-(2**63), le=2**63 - 1)]
    return declared.kind


_NUMBERS = {"type": "array", "items": {"anyOf": [{"type": "number"}, {"type": "string"}]}, "maxItems": 1000}


def _numbers(value: Any) -> tuple[float, ...]:
    """List of values in coherent SI units, all of one kind: plain numbers, or texts such as '2 N'."""
    mend = 'write a list such as ["2 N", "10 N"] or of plain numbers in SI units'
    if not isinstance(value, list) or not 0 < len(value) <= 1000:
        raise ValueFault("is not a list of 1 to 1000 values", mend)
    found: list[float] = []
    dimensions: set[units.Dimension] = set()
    for each in value:
        if isinstance(each, str):
            written = read_text(each).nominal
            if written is None:
                raise ValueFault(f"{as_written(each)} is not a single value", mend)
        elif isinstance(each, int | float) and not isinstance(each, bool) and abs(each) < 1e300:
            written = None
        else:
            raise ValueFault(f"{as_written(each)} is not a finite number", mend)
        try:
            if written is None:
                found.append(float(each))
                dimensions.add(units.NONE.dimension)
            else:
                number, dimension = units.to_coherent(Fraction(written.value), written.unit)
                found.append(number)
                dimensions.add(dimension)
        except units.UnitError as error:
            raise ValueFault(str(error), mend) from error
    if len(dimensions) > 1:
        raise ValueFault("its values are of different kinds", mend)
    return tuple(found)


def _option_field(cls: type, name: str, declared: Option) -> Any:
    default = next(field.default for field in dataclasses.fields(cls) if field.name == name)
    if default is dataclasses.MISSING:
        return Field(description=declared.doc)
    return Field(default=default, description=declared.doc)


class _Generator(GenerateJsonSchema):
    """Leaves out the defaults that stand for 'not stated': an editor has no use for null."""

    def default_schema(self, schema: Any) -> dict[str, Any]:
        made: dict[str, Any] = super().default_schema(schema)
        if made.get("default", 0) is None:
            made.pop("default")
        return made


def schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the case file for the elements known now."""
    made = case_model().model_json_schema(by_alias=True, schema_generator=_Generator)
    made["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    made["title"] = "Case of a force-sensing product"
    for definition in made["$defs"].values():
        _require_kind(definition, made)
        _offer_model(definition)
    _refer(made)
    made["$defs"][_QUANTITY_TABLE] = _quantity_table()
    made["$defs"][_FIGURE_TABLE] = _figure_table(made["$defs"][_QUANTITY_TABLE])
    return made


def _refer(node: Any) -> None:
    """Put the reference to the table form where the models, which do not know it, hold its name."""
    for part in node.values() if isinstance(node, dict) else node:
        if part in ({"title": _QUANTITY_TABLE}, {"title": _FIGURE_TABLE}):
            part["$ref"] = f"#/$defs/{part.pop('title')}"
        elif isinstance(part, dict | list):
            _refer(part)


def _require_kind(definition: dict[str, Any], made: dict[str, Any]) -> None:
    """Where a role has several kinds, `kind` must be written."""
    kind = definition.get("properties", {}).get("kind", {})
    if "const" not in kind:
        return
    role = str(kind.get("description", "")).removeprefix("kind of ")
    several = "oneOf" in made["properties"].get(role, {})
    if several:
        kind.pop("default", None)
        definition["required"] = ["kind", *definition.get("required", [])]


def _offer_model(definition: dict[str, Any]) -> None:
    """A sensor may be taken from a fitted model, and need then state nothing but its kind."""
    kind = definition.get("properties", {}).get("kind", {})
    if kind.get("description") != "kind of sensor":
        return
    described = (
        "fitted model to take the sensor from, a file relative to the case; what is written goes first"
    )
    definition["properties"]["from"] = {
        "type": "string",
        "description": described,
        "examples": ["pad_fit.toml"],
    }
    needed = [key for key in definition["required"] if key != "kind"]
    definition["required"] = ["kind"]
    definition["anyOf"] = [{"required": ["from"]}, {"required": needed}]


def _quantity_table() -> dict[str, Any]:
    plain = {"anyOf": [{"type": "string"}, {"type": "number"}]}
    spread = {
        "type": "object",
        "required": ["shape"],
        "properties": {
            "shape": {"enum": list(SHAPES)},
            "level": {"enum": list(LEVELS)},
            "unit": {"type": "string", "description": "unit of the plain numbers of this spread"},
            "from_units": {
                "type": "integer",
                "minimum": 2,
                "description": "number of units behind the spread",
            },
        },
        "description": "further keys are those of the shape",
    }
    properties = {
        "value": {**plain, "description": "nominal value"},
        "tolerance": {
            "type": "string",
            "description": "deviations from it",
            "examples": ["+/- 8 % (2 sigma) per unit"],
        },
        "spread": {"type": "array", "description": "deviations from it, of any shape", "items": spread},
    }
    return {
        "type": "object",
        "description": "a quantity whose spread has any shape",
        "properties": {key: properties[key] for key in TABLE_KEYS},
        "additionalProperties": False,
    }


def _figure_table(quantity: dict[str, Any]) -> dict[str, Any]:
    """The table form of a quantity that may be stated as a figure of a datasheet."""
    time = {"type": "string", "examples": ["30 min"]}
    keys = {
        "of": {"enum": list(OF), "description": "what a share refers to"},
        "loop": {"enum": list(LOOPS), "description": "of hysteresis; default: full width"},
        "line": {"enum": list(LINE_NAMES), "description": "that nonlinearity counts from"},
        "over": {**time, "description": "time under load until which creep is stated"},
        "from": {
            **time,
            "description": "time from which it counts; default: the reference time of the sensor",
        },
    }
    described = "a quantity whose spread has any shape, or a figure of a datasheet"
    return {**quantity, "description": described, "properties": {**quantity["properties"], **keys}}


def schema_json() -> str:
    """The JSON Schema as text, as it is shipped in case.schema.json."""
    return json.dumps(schema(), indent=1, ensure_ascii=False, sort_keys=False) + "\n"


def write_schema(path: Path = SHIPPED) -> None:
    """Write the JSON Schema beside the code or wherever an editor looks for it."""
    path.write_text(schema_json(), encoding="utf-8")
