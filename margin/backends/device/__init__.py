"""The same study on an accelerator: elements of the chain are numpy expressions, from which a kernel is made."""
