"""Words in any form: the stems of every clip's words, for catalogues that were written without them.

Which of the words a person said is not told by what is stored, so all count as those that come with the clip,
until its log is next written.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from shared.stems import stem_words
from shared.words import BOUNDARY, KNOWN

revision = "0007"
down_revision = "0006"

CHUNK = 2000  # clips whose words are in memory at one time

CLIP_TEXT = sa.table("clip_text", sa.column("clip_id", sa.BigInteger), sa.column("words", sa.Text))
CLIP = sa.table("clip", sa.column("id", sa.BigInteger), sa.column("production_id", sa.BigInteger))
PRODUCTION = sa.table("production", sa.column("id", sa.BigInteger), sa.column("language", sa.Text))


def upgrade() -> None:
    connection = op.get_bind()
    rows = (
        sa.select(CLIP_TEXT.c.clip_id, CLIP_TEXT.c.words, PRODUCTION.c.language)
        .join(CLIP, CLIP.c.id == CLIP_TEXT.c.clip_id)
        .join(PRODUCTION, PRODUCTION.c.id == CLIP.c.production_id)
        .order_by(CLIP_TEXT.c.clip_id)
        .limit(CHUNK)
    )
    change = CLIP_TEXT.update().where(CLIP_TEXT.c.clip_id == sa.bindparam("key"))
    last = 0
    while found := connection.execute(rows.where(CLIP_TEXT.c.clip_id > last)).all():
        changed = [{"key": key, "words": _with_stems(words, language)} for key, words, language in found]
        connection.execute(change.values(words=sa.bindparam("words")), changed)
        last = found[-1][0]


def _with_stems(words: str, language: str) -> str:
    phrases = words.split(f" {BOUNDARY} ")
    stems = (" ".join(KNOWN + stem for stem in stem_words(phrase, language)) for phrase in phrases)
    return f" {BOUNDARY} ".join(dict.fromkeys(phrase for phrase in (*phrases, *stems) if phrase))
