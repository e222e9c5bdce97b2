"""Valid captures and site files in, mutated ones and whatever goes wrong with them out: `python -m tests.fuzz`."""
