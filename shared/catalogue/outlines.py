"""The outline's writes: made, added to, moved, covered, kept, returned to; all through the journal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from shared.catalogue.journal import Values
from shared.catalogue.outline_kinds import ITEM, OUTLINE, VERSION, read_item
from shared.catalogue.outline_rows import WHOLE_ITEM, Footage, read_contents
from shared.catalogue.outline_values import Range, part_values
from shared.catalogue.rows import RowsEdit
from shared.errors import NotFoundError, UsageError
from shared.models import ItemKind, Outline, OutlineItem, OutlineVersion, Production, now
from shared.outline.compare import Comparison, compare
from shared.outline.order import key_between
from shared.outline.running import lay_out
from shared.words import show_short

MOST_ITEMS = 2000
NOW = "now"  # the name by which an outline as it stands is compared
_EMPTY: Values = {
    "name": "",
    "mood": "",
    "note": "",
    "length_ms": None,
    "line": None,
    "checked_by": "",
    "checked_at": None,
    "parts": [],
    "covers": [],
}


# -- finding ----------------------------------------------------------------------------------------


def list_outlines(session: Session, production: Production) -> list[Outline]:
    """In the order in which they were made."""
    rows = select(Outline).where(Outline.production_id == production.id)
    return list(session.scalars(rows.order_by(Outline.id)))


def find_outline(session: Session, production: Production, name: str | None) -> Outline:
    """By its name, whatever its case, else its number; without a name the one that was made last.

    Raises NotFoundError that lists those there are.
    """
    there = list_outlines(session, production)
    if name is None and there:
        return there[-1]
    wanted = (name or "").strip().casefold()
    found = [one for one in there if one.name.casefold() == wanted] or [
        one for one in there if str(one.id) == wanted
    ]
    if found:
        return found[0]
    said = f"no outline {show_short(name)}" if name is not None else "no outline yet"
    names = ", ".join(one.name for one in there)
    raise NotFoundError(
        f"{production.name} has {said}",
        remedy=f"There is: {names}." if there else 'Make one: rushlight outline new "The film"',
    )


def items_of(session: Session, outline: Outline) -> list[OutlineItem]:
    """In order. Sorted here: a database may compare texts by the rules of a language."""
    rows = select(OutlineItem).where(OutlineItem.outline_id == outline.id).options(*WHOLE_ITEM)
    return sorted(session.scalars(rows), key=lambda row: (row.rank, row.id))


def item_at(session: Session, outline: Outline, number: int) -> OutlineItem:
    """By its place, from 1. Raises NotFoundError."""
    there = items_of(session, outline)
    if not 1 <= number <= len(there):
        raise NotFoundError(
            f"{outline.name} has no item {number}",
            remedy=f"It has {len(there)}; `rushlight outline show` numbers them.",
        )
    return there[number - 1]


# -- outlines ---------------------------------------------------------------------------------------


def make_outline(edit: RowsEdit, name: str, target_seconds: int | None = None) -> Outline:
    """Raises UsageError without a name, ConflictError for one that is taken."""
    return change_outline(edit, None, {"name": name, "target_seconds": target_seconds})


def change_outline(edit: RowsEdit, outline: Outline | None, values: Mapping[str, Any]) -> Outline:
    """Its name and target; what `values` does not name stays. Raises as `make_outline`."""
    given = dict(values)
    if "name" in given:
        given["name"] = " ".join(given["name"].split())
        if not given["name"]:
            raise UsageError("an outline needs a name", remedy='Write "The film".')
    made = edit.put(OUTLINE, outline.id if outline is not None else None, given)
    assert isinstance(made, Outline)
    return made


def remove_outline(edit: RowsEdit, outline: Outline) -> None:
    """Take it away with its items and versions; an undo brings all back."""
    for version in list_versions(edit.session, outline):
        edit.remove(VERSION, version)
    for item in items_of(edit.session, outline):
        edit.remove(ITEM, item)
    edit.remove(OUTLINE, outline)


# -- items ------------------------------------------------------------------------------------------


def add_item(
    edit: RowsEdit, outline: Outline, kind: ItemKind, values: Mapping[str, Any], place: int | None = None
) -> OutlineItem:
    """Put an item in at `place`, from 1; None: at the end. Raises UsageError for one that has no length."""
    there = items_of(edit.session, outline)
    if len(there) >= MOST_ITEMS:
        raise UsageError(
            f"{outline.name} has {MOST_ITEMS} items", remedy="Begin another outline for the rest."
        )
    rank = _rank_for(there, len(there) + 1 if place is None else place)
    given = {**_EMPTY, **values, "outline": outline.id, "kind": kind.value, "rank": rank}
    _check(kind, given)
    made = edit.put(ITEM, None, given)
    assert isinstance(made, OutlineItem)
    return made


def change_item(edit: RowsEdit, item: OutlineItem, values: Mapping[str, Any]) -> OutlineItem:
    """What `values` does not name stays. A quote whose parts change is to be checked anew."""
    standing = read_item(edit.session, item)
    given = dict(values)
    if "parts" in given and _said(given["parts"]) != _said(standing["parts"]):
        given = {"checked_by": "", "checked_at": None, **given}
    _check(item.kind, {**standing, **given})
    made = edit.put(ITEM, item.id, given)
    assert isinstance(made, OutlineItem)
    return made


def trim_item(edit: RowsEdit, item: OutlineItem, part: int, wanted: Range) -> OutlineItem:
    """Give one of its parts, from 1, another range of the same clip; the others stay as they were chosen.

    Raises UsageError for a part that it has not, or a range that is none.
    """
    if not 1 <= part <= len(item.parts):
        raise UsageError(f"the item has {len(item.parts)} parts", remedy="Choose one of them, from 1.")
    parts = list(read_item(edit.session, item)["parts"])
    one = item.parts[part - 1]
    if (wanted.first, wanted.end) == (one.in_frame, one.out_frame):
        return item
    given = Range(one.clip, wanted.first, wanted.end, one.speaker)
    parts[part - 1] = part_values(edit.session, given, quoted=item.kind is ItemKind.QUOTE)
    return change_item(edit, item, {"parts": parts})


def _said(parts: Sequence[Mapping[str, Any]]) -> list[tuple[int, int, int]]:
    return [(one["clip"], one["in"], one["out"]) for one in parts]


def _check(kind: ItemKind, values: Mapping[str, Any]) -> None:
    """Whether an item of this kind says how long it is, and from where."""
    if kind in (ItemKind.QUOTE, ItemKind.SCENE) and not values["parts"]:
        raise UsageError(f"a {kind.value} needs a range of a clip", remedy="Give a clip, an in and an out.")
    if kind is ItemKind.NARRATION and values["line"] is None:
        raise UsageError("narration needs a line of the narration", remedy="Give its code: N1.")
    if kind is ItemKind.MUSIC and not values["parts"] and not values["length_ms"]:
        raise UsageError("music needs seconds or a clip", remedy="Write --seconds 20.")
    if kind is ItemKind.TITLE and not (values["length_ms"] and values["name"]):
        raise UsageError("a title needs a text and seconds", remedy="Write --seconds 4.")


def move_item(edit: RowsEdit, item: OutlineItem, place: int) -> OutlineItem:
    """To this place, from 1; beyond the end is the end. No other item's row changes."""
    others = [one for one in items_of(edit.session, item.outline) if one.id != item.id]
    before = [one for one in others if (one.rank, one.id) < (item.rank, item.id)]
    if len(before) + 1 == min(max(1, place), len(others) + 1):
        return item
    made = edit.put(ITEM, item.id, {"rank": _rank_for(others, place)})
    assert isinstance(made, OutlineItem)
    return made


def _rank_for(there: Sequence[OutlineItem], place: int) -> str:
    """A key for a new item at this place among those that are there."""
    at = min(max(1, place), len(there) + 1) - 1
    before = there[at - 1].rank if at else None
    after = there[at].rank if at < len(there) else None
    return key_between(before, after)


def check_quote(edit: RowsEdit, item: OutlineItem) -> OutlineItem:
    """A person says that a stitched quote still means what was said. Raises UsageError for another item."""
    if item.kind is not ItemKind.QUOTE or len(item.parts) < 2:
        raise UsageError("only a quote of several parts needs a check", remedy="Choose a stitched quote.")
    return change_item(edit, item, {"checked_by": edit.by[:100] or "somebody", "checked_at": _stamp()})


def _stamp() -> str:
    return now().replace(microsecond=0).isoformat()


def remove_item(edit: RowsEdit, item: OutlineItem) -> None:
    edit.remove(ITEM, item)


# -- versions ---------------------------------------------------------------------------------------


def list_versions(session: Session, outline: Outline) -> list[OutlineVersion]:
    """In the order in which they were kept."""
    rows = select(OutlineVersion).where(OutlineVersion.outline_id == outline.id)
    return list(session.scalars(rows.order_by(OutlineVersion.id)))


def find_version(session: Session, outline: Outline, name: str) -> OutlineVersion:
    """By its name, whatever its case. Raises NotFoundError."""
    there = list_versions(session, outline)
    for one in there:
        if one.name.casefold() == name.strip().casefold():
            return one
    names = ", ".join(one.name for one in there)
    raise NotFoundError(
        f"no version {show_short(name)} of {outline.name} is kept",
        remedy=f"There is: {names}." if there else "Keep one: rushlight outline keep NAME.",
    )


def keep_version(edit: RowsEdit, outline: Outline, name: str) -> OutlineVersion:
    """Keep the outline as it stands under a name. Raises UsageError, ConflictError for a name taken."""
    name = " ".join(name.split())
    if not name or name.casefold() == NOW:
        raise UsageError("a version needs a name of its own", remedy='Write "first assembly".')
    content = {
        "target_seconds": outline.target_seconds,
        "items": [[key, values] for key, values in read_contents(edit.session, outline)],
    }
    made = edit.put(VERSION, None, {"outline": outline.id, "name": name, "content": content})
    assert isinstance(made, OutlineVersion)
    made.made_by = edit.by[:100]
    return made


def return_to(edit: RowsEdit, outline: Outline, version: OutlineVersion) -> None:
    """Make the outline what it was when the version was kept: one edit, taken back as a whole.

    Raises ConflictError when a clip or a narration line that it names is gone.
    """
    wanted: dict[int, dict[str, Any]] = dict(version.content["items"])
    for item in items_of(edit.session, outline):
        if item.id not in wanted:
            edit.remove(ITEM, item)
    for key, values in wanted.items():
        edit.put(ITEM, key, values)
    change_outline(edit, outline, {"target_seconds": version.content["target_seconds"]})


def remove_version(edit: RowsEdit, version: OutlineVersion) -> None:
    edit.remove(VERSION, version)


def compare_versions(
    session: Session, production: Production, outline: Outline, earlier: str, later: str
) -> Comparison:
    """Two versions by name; "now" is the outline as it stands. Raises NotFoundError."""
    footage = Footage(session, production)

    def laid(name: str) -> Any:
        if name.strip().casefold() == NOW:
            contents: Any = read_contents(session, outline)
        else:
            contents = find_version(session, outline, name).content["items"]
        return lay_out(footage.outline(outline, contents, words=False))

    return compare(laid(earlier), laid(later))


def count_items(session: Session, outlines: Sequence[Outline]) -> dict[int, int]:
    """How many items each outline has."""
    rows = (
        select(OutlineItem.outline_id, func.count())
        .where(OutlineItem.outline_id.in_([one.id for one in outlines]))
        .group_by(OutlineItem.outline_id)
    )
    return dict(session.execute(rows).all())
