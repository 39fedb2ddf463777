"""The chain compiled: the same source recorded once, and counted by a kernel of machine code.

`trace` runs the case on recorded arrays, `phases` and `layout` order what was recorded, `kernel_text` writes it for the
compiler, `block` counts units with it, `choose` decides.
"""
