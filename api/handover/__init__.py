"""The hand-over: one folder for an editor, written whole or not at all. One module a format."""

from api.handover.write import HandoverReport, write_handover

__all__ = ["HandoverReport", "write_handover"]
