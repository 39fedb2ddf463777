"""A case as bytes, for a worker in another process: made ready there once, with the elements of a user's own."""

from __future__ import annotations

import dataclasses
import pickle
import sys
from dataclasses import dataclass
from functools import lru_cache
from threading import Lock

from margin.backends.compiled.block import Kernel
from margin.backends.compiled.choose import kernel_for
from margin.backends.compiled.machine_code import can_compile, compiler
from margin.case.types import Case, ElementSpec
from margin.chain.own_elements import ElementsFile, classes_in
from margin.propagation.identity import environment
from margin.propagation.model import Model, model_of
from margin.propagation.plan import Plan

_opening = Lock()


class UnlikeWorker(ValueError):
    """A worker that would compute other bits, or that cannot have what the case needs."""


class _FromFile:
    """Stands for a class that no module holds: an elements file does."""


@dataclass(frozen=True)
class _Parcel:
    """case: pickled, its classes from files left out; they are found again by role and kind.

    fused  blocks are counted by a kernel
    """

    environment: dict[str, str]
    files: tuple[ElementsFile, ...]
    case: bytes
    plan: Plan
    fused: bool


def compiler_here() -> str:
    """What would compile a kernel here."""
    return compiler() if can_compile() else "none (llvmlite is not installed)"


def _environment(fused: bool) -> dict[str, str]:
    return environment() | ({"compiler": compiler_here()} if fused else {})


def pack(case: Case, plan: Plan, files: tuple[ElementsFile, ...], fused: bool = False) -> bytes:
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
    return pickle.dumps(_Parcel(_environment(fused), files, pickle.dumps(sent), plan, fused))


def _is_importable(cls: type) -> bool:
    module = sys.modules.get(cls.__module__)
    return cls.__module__ != "__main__" and getattr(module, cls.__qualname__, None) is cls


def unpack(content: bytes) -> tuple[Model, Plan, Kernel | None]:
    """The case made ready to be drawn, once in each process, and its kernel where one is to count.

    Raises UnlikeWorker where versions, arithmetic or compiler differ from the sender's, ElementError for a file of
    elements that fails here.
    """
    with _opening:
        return _unpack(content)


@lru_cache(maxsize=2)
def _unpack(content: bytes) -> tuple[Model, Plan, Kernel | None]:
    parcel: _Parcel = pickle.loads(content)
    here = _environment(parcel.fused)
    unlike = [
        f"{name} {here[name]}, not {wanted}"
        for name, wanted in parcel.environment.items()
        if here[name] != wanted
    ]
    if unlike:
        raise UnlikeWorker(
            f"a worker would compute other last bits: it has {'; '.join(unlike)}. Use workers with the versions "
            "(and, where arithmetic or compiler differs, the kind of processor) of the machine that asks"
            + ("; or leave fused out" if here.get("compiler") != parcel.environment.get("compiler") else "")
        )
    case: Case = pickle.loads(parcel.case)
    if any(spec.cls is _FromFile for spec in case.elements.values()):
        found = classes_in(parcel.files)
        elements = {role: _with_class(spec, found) for role, spec in case.elements.items()}
        case = dataclasses.replace(case, elements=elements)
    model = model_of(case)
    return model, parcel.plan, kernel_for(model, parcel.plan, parcel.fused)


def _with_class(spec: ElementSpec, found: dict[tuple[str, str], type]) -> ElementSpec:
    if spec.cls is not _FromFile:
        return spec
    cls = found.get((spec.role, spec.kind))
    if cls is None:
        raise UnlikeWorker(f"none of the files of elements registers a {spec.role} of kind {spec.kind!r}")
    return dataclasses.replace(spec, cls=cls)
