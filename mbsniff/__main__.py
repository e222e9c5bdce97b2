"""`python -m mbsniff`."""

from mbsniff.cli import main

main()
