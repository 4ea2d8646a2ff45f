"""The `rushlight` command: the one place that joins `ingest` and `api`."""

from api.cli.main import main

__all__ = ["main"]
