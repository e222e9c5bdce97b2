"""Benchmarks that anyone can run: see ``python -m tests.benchmarks.speed --help``."""
