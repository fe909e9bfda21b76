"""Pure array functions: no I/O, no state. Spaces, units and sources in each docstring."""
