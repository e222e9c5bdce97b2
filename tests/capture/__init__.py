"""Tests of mbsniff/capture."""
