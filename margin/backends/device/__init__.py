"""The same study on an accelerator: elements of the chain are numpy expressions, and CuPy's arrays take those."""

from margin.backends.device.run import run_on_gpu
from margin.backends.device.space import GpuUnavailable, NotOnDevice

__all__ = ["GpuUnavailable", "NotOnDevice", "run_on_gpu"]
