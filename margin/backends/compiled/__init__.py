"""The chain compiled: the same source recorded once, and counted by a kernel of machine code.

`trace` runs the case on recorded arrays (`traced`; `lookup` reads tables with them), `phases` and `layout` order what
was recorded, `kernel_text` writes it for the compiler, `compiled` and `kept_code` make and keep its code, `block`
counts units with it, `choose` decides.
"""
