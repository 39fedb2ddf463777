"""Machine code of a kernel's text, by LLVM; kept for the life of the process."""

from __future__ import annotations

import ctypes
import importlib.util
from functools import lru_cache
from threading import Lock
from typing import Any

_compiling = Lock()


def can_compile() -> bool:
    """Whether the compiler (extra `fast`) is installed."""
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


def lanes(operations: int) -> int:
    """Units that a kernel computes side by side: one vector register of them, four for a small graph.

    What is computed for them is independent, so that the processor need not wait for one result to begin the next.
    """
    import llvmlite.binding as llvm

    register = 8 if llvm.get_host_cpu_features().get("avx512f", False) else 4
    return 4 * register if operations <= SMALL_GRAPH else register


def compiler() -> str:
    """What makes the code and for which processor: where it is equal, so are the bits."""
    import llvmlite
    import llvmlite.binding as llvm

    return f"llvmlite {llvmlite.__version__}, {llvm.get_host_cpu_name()}"


class Compiled:
    """A function `kernel` of pointers and whole numbers, and what keeps its code alive. The call lets go of the
    interpreter's lock."""

    def __init__(self, text: str, arguments: int) -> None:
        import llvmlite.binding as llvm

        with _compiling:
            machine = _machine()
            module = llvm.parse_assembly(text)
            module.verify()
            module.triple, module.data_layout = machine.triple, str(machine.target_data)
            options = llvm.create_pipeline_tuning_options(speed_level=2)
            options.loop_unrolling = options.loop_vectorization = options.slp_vectorization = False
            builder = llvm.create_pass_builder(machine, options)
            builder.getModulePassManager().run(module, builder)
            self.module = module
            self._engine = llvm.create_mcjit_compiler(module, machine)
            self._engine.finalize_object()
            address = self._engine.get_function_address("kernel")
        self._call = ctypes.CFUNCTYPE(None, *[ctypes.c_int64] * arguments)(address)

    def __call__(self, *arguments: int) -> None:
        self._call(*arguments)


@lru_cache(maxsize=8)
def compiled(text: str, arguments: int) -> Compiled:
    """The compiled text, once a process: a study repeated with another seed or part value of one case has the same
    kernel where only numbers that are not part of its text differ."""
    return Compiled(text, arguments)
