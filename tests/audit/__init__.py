"""Tests of `mbsniff/audit/`."""
