"""The words that many clips of a production have, found by looking at some of them."""

from __future__ import annotations

import random
from collections import Counter

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from shared.models import Clip, ClipText, Production
from shared.words import split_words

SAMPLE = 2000  # clips
COMMON = 50  # a word is common when one clip in so many has it
MOST_WORDS = 400


def list_common_words(session: Session, production: Production) -> list[str]:
    """As they are typed, the most frequent first."""
    lowest, highest = session.execute(
        select(func.min(Clip.id), func.max(Clip.id)).where(Clip.production_id == production.id)
    ).one()
    if lowest is None:
        return []
    picks = random.Random(0).sample(range(lowest, highest + 1), min(SAMPLE, highest + 1 - lowest))
    seen: Counter[str] = Counter()
    clips = 0
    for text in session.scalars(select(ClipText.words).where(ClipText.clip_id.in_(picks))):
        clips += 1
        seen.update(set(text.split()))
    return [
        word
        for word, count in seen.most_common(MOST_WORDS * 3)
        if count * COMMON >= clips and split_words(word) == [word]
    ][:MOST_WORDS]
