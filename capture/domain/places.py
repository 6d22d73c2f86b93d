"""Where in a plan's text something stands, for remarks made after the plan was read."""

from __future__ import annotations

from capture.domain._tables import Source
from capture.domain.errors import PlanError
from capture.domain.plan import InspectionPlan


class Places:
    """Makes errors that name file, line, place, value and remedy, for a plan that could be read.

    Args:
        name: the file's name in messages.
    """

    def __init__(self, plan: InspectionPlan, name: str) -> None:
        self._source = Source(plan.text, name)

    def error(
        self, section: str, one_id: str, key: str | None, message: str, *, value: str = "", remedy: str = ""
    ) -> PlanError:
        """Return the error of one [[section]] with that id, at the line of `key`, or of its header when None."""
        tables = self._source.data.get(section, [])
        index = next((at for at, table in enumerate(tables) if table.get("id") == one_id), None)
        line = None if index is None else self._source.line_of(section, index, key)
        return self._source.error(f"{section} {one_id!r}", line, message, value=value, remedy=remedy)
