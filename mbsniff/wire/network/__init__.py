"""Frames beside Modbus in, rows of network events out: look-ups, echoes, errors, leases, trees, broadcasts, origins."""
