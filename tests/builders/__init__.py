"""Descriptions of Modbus TCP traffic in, captures of it out: what the tests of all stages are fed with."""
