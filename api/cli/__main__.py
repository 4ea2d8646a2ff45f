"""`python -m api.cli` is the same as `rushlight`."""

from api.cli import main

main()
