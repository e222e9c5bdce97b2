"""mbsniff: passive analysis of recorded Modbus TCP traffic."""

__version__ = "0.1.0"
