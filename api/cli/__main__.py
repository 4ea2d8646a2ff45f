"""`python -m api.cli` is the same as `rushlight`."""

from api.cli.main import main

main()
