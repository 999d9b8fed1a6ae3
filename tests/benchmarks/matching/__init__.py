"""Benchmark of the matchers: run it with ``python -m tests.benchmarks.matching --help``."""
