"""Operations that a kernel does not have: replacement, and place in the element."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path
from types import FrameType, TracebackType
from typing import Any

import numpy as np

ELEMENTWISE = "write it by numpy's elementwise functions"
KEEP_AXES = "keep the axes: index by slices, such as x[..., :1], and sum with keepdims=True"
NUMBERS = "keep to numbers: x.astype(float), numpy.trunc, numpy.floor or numpy.rint"
VALUES = (
    "use numpy's functions on the arrays as they come: no numpy.asarray, float(), math module, loop over units or "
    "function that works on plain arrays"
)
BRANCH = "choose by numpy.where, numpy.minimum, numpy.maximum or numpy.clip"

INSTEAD = {
    "empty_like": "begin with numpy.zeros_like(x)",
    "stack": KEEP_AXES,
    "expand_dims": KEEP_AXES,
    "squeeze": KEEP_AXES,
    "reshape": KEEP_AXES,
    "ravel": KEEP_AXES,
    "flatten": KEEP_AXES,
    "transpose": KEEP_AXES,
    "moveaxis": KEEP_AXES,
    "swapaxes": KEEP_AXES,
    "median": "use numpy.mean, or numpy.minimum and numpy.maximum of a few slices",
    "percentile": "use numpy.mean, or numpy.minimum and numpy.maximum of a few slices",
    "quantile": "use numpy.mean, or numpy.minimum and numpy.maximum of a few slices",
    "solve": "write the solution of a few equations in closed form, by Cramer's rule",
    "inv": "write the inverse of a small matrix in closed form",
    "det": "write the determinant of a small matrix in closed form",
    "dot": "add products, or numpy.sum(a * b, axis=-1, keepdims=True)",
    "matmul": "add products, or numpy.sum(a * b, axis=-1, keepdims=True)",
    "einsum": "add products, or numpy.sum(a * b, axis=-1, keepdims=True)",
    "tensordot": "add products, or numpy.sum(a * b, axis=-1, keepdims=True)",
    "vectorize": ELEMENTWISE,
    "apply_along_axis": ELEMENTWISE,
    "argmin": BRANCH,
    "argmax": BRANCH,
    "digitize": "use numpy.searchsorted with a constant table",
    "nonzero": BRANCH,
    "argwhere": BRANCH,
    "putmask": "use numpy.where",
    "place": "use numpy.where",
    "copyto": "use numpy.where",
    "choose": "use numpy.select",
    "array_equal": BRANCH,
    "allclose": BRANCH,
    "isclose": "write numpy.abs(a - b) <= tolerance",
    "gradient": "write the derivative in closed form",
    "cross": "write the products of the components",
    "sort": "use numpy.minimum and numpy.maximum",
    "modf": "use x - numpy.trunc(x) and numpy.trunc(x)",
    "erf": "approximate it by numpy.tanh or a polynomial, or read it from a table by numpy.interp",
    "expit": "write 1 / (1 + numpy.exp(-x))",
    "logit": "write numpy.log(p / (1 - p))",
    "tolist": VALUES,
    "item": VALUES,
}
"""Name of a function or method -> what a kernel has in its place."""

_HERE = str(Path(__file__).parent)
_PACKAGE = __name__.partition(".")[0]
_NUMPY = str(Path(np.__file__).parent)


def instead_of(name: str) -> str:
    """What to use in place of a function of numpy, by its last name."""
    return INSTEAD.get(name, ELEMENTWISE)


def name_of(function: Any) -> str:
    """A function as its documentation names it: with its module, the public one."""
    name = str(getattr(function, "__name__", function))
    if isinstance(function, np.ufunc):
        special = sys.modules.get("scipy.special")
        return f"numpy.{name}" if hasattr(np, name) or special is None else f"scipy.special.{name}"
    module = str(getattr(function, "__module__", "") or "numpy")
    return f"{module}.{name}"


def place_of(error: BaseException, elements: Iterable[type]) -> tuple[str, str]:
    """Where in an element of a case an error was raised, and the function of a library called there.

    The place as 'Class.method (file, line)', or the innermost function outside of numpy and this package where no
    element is on the way; both may be empty.
    """
    classes = tuple(elements)
    frames = [
        (f, line) for f, line in _frames(error.__traceback__) if not f.f_code.co_filename.startswith(_HERE)
    ]
    own = [i for i, (f, _) in enumerate(frames) if _class_of(f, classes)]
    if not own:
        return "", ""
    last = own[-1]
    frame, line = frames[last]
    cls = _class_of(frame, classes)
    method = f"{cls}.{frame.f_code.co_name} ({Path(frame.f_code.co_filename).name}, line {line})"
    return method, _called(frames[last + 1 :])


def _frames(traceback: TracebackType | None) -> list[tuple[FrameType, int]]:
    found = []
    while traceback is not None:
        found.append((traceback.tb_frame, traceback.tb_lineno))
        traceback = traceback.tb_next
    return found


def _class_of(frame: FrameType, classes: tuple[type, ...]) -> str:
    """Name of the element whose method a frame runs."""
    first = frame.f_code.co_varnames[:1]
    one = frame.f_locals.get(first[0]) if first else None
    cls = one if isinstance(one, type) else type(one)
    return cls.__name__ if issubclass(cls, classes) else ""


def _called(frames: list[tuple[FrameType, int]]) -> str:
    """The outermost function of a library that the frames run."""
    for frame, _ in frames:
        module = str(frame.f_globals.get("__name__", ""))
        if frame.f_code.co_filename.startswith(_NUMPY) or module.partition(".")[0] not in (_PACKAGE, ""):
            return f"{module}.{frame.f_code.co_qualname}"
    return ""
