"""Pure array functions: no input or output, no state. Spaces, units and sources in each docstring."""
