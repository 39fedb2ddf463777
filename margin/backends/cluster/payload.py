"""A case as bytes, for a worker in another process: prepared there once, with the elements of a user's own."""

from __future__ import annotations

import dataclasses
import pickle
import sys
from dataclasses import dataclass
from functools import lru_cache
from threading import Lock

from distributions.errors import MarginError
from margin.backends.compiled.block import Kernel
from margin.backends.compiled.choose import kernel_for
from margin.backends.compiled.machine_code import can_compile, compiler
from margin.case.types import Case, ElementSpec
from margin.chain.own_elements import ElementsFile, classes_in
from margin.propagation.identity import environment
from margin.propagation.model import Model, model_of
from margin.propagation.plan import Plan

_opening = Lock()


class UnlikeWorker(MarginError, ValueError):
    """A worker that would compute other bits, or that cannot have what the case needs."""


class _FromFile:
    """Stands for a class that no module holds: an elements file does."""


@dataclass(frozen=True)
class _Payload:
    """case: pickled, its classes from files left out; they are found again by role and kind.

    compiled  blocks are counted by a kernel
    """

    environment: dict[str, str]
    files: tuple[ElementsFile, ...]
    case: bytes
    plan: Plan
    compiled: bool


def compiler_here() -> str:
    """What would compile a kernel here."""
    return compiler() if can_compile() else "none (llvmlite is not installed)"


def _environment(compiled: bool) -> dict[str, str]:
    return environment() | ({"compiler": compiler_here()} if compiled else {})


def pack(case: Case, plan: Plan, files: tuple[ElementsFile, ...], compiled: bool = False) -> bytes:
    """The case and its plan as bytes, to be counted by a kernel or not.

    UnlikeWorker for an element that a worker could not find.
    """
    elements = {}
    for role, spec in case.elements.items():
        importable = _is_importable(spec.cls)
        if not importable and not files:
            raise UnlikeWorker(
                f"{role} kind {spec.kind!r} is known to this program alone: put {spec.cls.__name__} in a Python "
                "file of its own and name it by elements=, so that workers can run it too"
            )
        elements[role] = spec if importable else dataclasses.replace(spec, cls=_FromFile)
    # what the file said word for word is of no use there
    sent = dataclasses.replace(case, elements=elements, source={}, path=None)
    return pickle.dumps(_Payload(_environment(compiled), files, pickle.dumps(sent), plan, compiled))


def _is_importable(cls: type) -> bool:
    module = sys.modules.get(cls.__module__)
    return cls.__module__ != "__main__" and getattr(module, cls.__qualname__, None) is cls


def unpack(content: bytes) -> tuple[Model, Plan, Kernel | None]:
    """The case prepared for drawing, once in each process, and its kernel where one is to count.

    Raises UnlikeWorker where versions, arithmetic or compiler differ from the sender's, ElementError for a file of
    elements that fails here.
    """
    with _opening:
        return _unpack(content)


@lru_cache(maxsize=2)
def _unpack(content: bytes) -> tuple[Model, Plan, Kernel | None]:
    payload: _Payload = pickle.loads(content)
    here = _environment(payload.compiled)
    unlike = [
        f"{name} {here[name]}, not {wanted}"
        for name, wanted in payload.environment.items()
        if here[name] != wanted
    ]
    if unlike:
        raise UnlikeWorker(
            f"a worker would compute other last bits: it has {'; '.join(unlike)}. Use workers with the versions "
            "(and, where arithmetic or compiler differs, the kind of processor) of the machine that asks"
            + (
                "; or leave out compiled="
                if here.get("compiler") != payload.environment.get("compiler")
                else ""
            )
        )
    case: Case = pickle.loads(payload.case)
    if any(spec.cls is _FromFile for spec in case.elements.values()):
        found = classes_in(payload.files)
        elements = {role: _with_class(spec, found) for role, spec in case.elements.items()}
        case = dataclasses.replace(case, elements=elements)
    model = model_of(case)
    return model, payload.plan, kernel_for(model, payload.plan, payload.compiled)


def _with_class(spec: ElementSpec, found: dict[tuple[str, str], type]) -> ElementSpec:
    if spec.cls is not _FromFile:
        return spec
    cls = found.get((spec.role, spec.kind))
    if cls is None:
        raise UnlikeWorker(f"none of the files of elements registers a {spec.role} of kind {spec.kind!r}")
    return dataclasses.replace(spec, cls=cls)
