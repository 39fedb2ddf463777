"""Machine code of a kernel's text, by LLVM; kept for the life of the process, and between processes."""

from __future__ import annotations

import ctypes
import importlib.util
from collections import OrderedDict
from collections.abc import Callable
from threading import Lock
from typing import Any

from margin.backends.compiled.kept_code import keep, kept, key_of
from margin.version import version

_compiling = Lock()

_LEVEL = 1
"""Of optimisation: a higher one takes a third longer and gains some hundredths."""


def can_compile() -> bool:
    """Whether the compiler (llvmlite) is there."""
    return importlib.util.find_spec("llvmlite") is not None


def _machine() -> Any:
    """Target machine of this computer; the engine that takes it owns it."""
    import llvmlite.binding as llvm

    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    target = llvm.Target.from_default_triple()
    return target.create_target_machine(
        cpu=llvm.get_host_cpu_name(), features=llvm.get_host_cpu_features().flatten(), opt=3, jit=True
    )


SMALL_GRAPH = 500
"""Operations up to which units fill several vector registers: of more, the compiler takes too long."""


def register() -> int:
    """Numbers in a vector register of this processor."""
    import llvmlite.binding as llvm

    return 8 if llvm.get_host_cpu_features().get("avx512f", False) else 4


def lanes(operations: int) -> int:
    """Units that a kernel computes side by side: one vector register of them, four for a small graph.

    What is computed for them is independent, so that the processor need not wait for one result to begin the next.
    """
    return 4 * register() if operations <= SMALL_GRAPH else register()


def compiler() -> str:
    """What makes the code and for which processor: where it is equal, so are the bits."""
    import llvmlite
    import llvmlite.binding as llvm

    return f"llvmlite {llvmlite.__version__}, {llvm.get_host_cpu_name()}"


def _key(text: str) -> str:
    import llvmlite.binding as llvm

    features: str = llvm.get_host_cpu_features().flatten()
    return key_of(text, version(), compiler(), str(llvm.llvm_version_info), features, f"level {_LEVEL}")


def _object_of(text: str) -> bytes:
    """An object file with the text's functions."""
    import llvmlite.binding as llvm

    machine = _machine()
    module = llvm.parse_assembly(text)
    module.verify()
    module.triple, module.data_layout = machine.triple, str(machine.target_data)
    options = llvm.create_pipeline_tuning_options(speed_level=_LEVEL)
    options.loop_unrolling = options.loop_vectorization = options.slp_vectorization = False
    builder = llvm.create_pass_builder(machine, options)
    builder.getModulePassManager().run(module, builder)
    code: bytes = machine.emit_object(module)
    return code


class Compiled:
    """A function `kernel` of pointers and whole numbers, and what keeps its code alive. The call lets go of the
    interpreter's lock."""

    def __init__(self, text: str, arguments: int) -> None:
        import llvmlite.binding as llvm

        key = _key(text)
        with _compiling:
            code = kept(key)
            if code is None:
                code = _object_of(text)
                keep(key, code)
            # the engine wants a module, though all it runs is in the object file
            self._engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), _machine())
            self._engine.add_object_file(llvm.ObjectFileRef.from_data(code))
            self._engine.finalize_object()
        self._call = self.function("kernel", arguments)

    def function(self, name: str, arguments: int) -> Callable[..., None]:
        """A function of so many whole numbers; it can be called for as long as this object lives."""
        address = self._engine.get_function_address(name)
        return ctypes.CFUNCTYPE(None, *[ctypes.c_int64] * arguments)(address)

    def __call__(self, *arguments: int) -> None:
        self._call(*arguments)


_made: OrderedDict[str, Compiled] = OrderedDict()
"""Kernels of this process by their text, those asked for last at the end."""

_MOST_MADE = 8


def is_kept(text: str) -> bool:
    """Whether the machine code of a text is there from before, in this process or another."""
    return text in _made or kept(_key(text)) is not None


def compiled(text: str, arguments: int) -> Compiled:
    """The compiled text, once a process: a study repeated with another seed or part value of one case has the same
    kernel where only numbers that are not part of its text differ."""
    found = _made.pop(text, None) or Compiled(text, arguments)
    _made[text] = found
    while len(_made) > _MOST_MADE:
        _made.popitem(last=False)
    return found
