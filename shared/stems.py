"""Words brought to their stem, so that one form of a word finds the others.

The stem is taken from the word as it is written, accents and all, because endings are told by them
("aimée", "красный"), and is folded afterwards as `shared.words` folds. Both databases get the same stems:
their own stemmers decide nothing. The algorithms are those of snowballstem.org/algorithms/.
"""

from __future__ import annotations

import importlib
import unicodedata
from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import Any

from shared.words import find_words, split_words

# The first subtag of a language tag (RFC 5646, section 2.2.1), and the algorithm for it.
ALGORITHMS: Mapping[str, str] = MappingProxyType(
    {
        "ar": "arabic",
        "ca": "catalan",
        "cs": "czech",
        "da": "danish",
        "de": "german",
        "el": "greek",
        "en": "english",
        "eo": "esperanto",
        "es": "spanish",
        "et": "estonian",
        "eu": "basque",
        "fa": "persian",
        "fi": "finnish",
        "fr": "french",
        "ga": "irish",
        "hi": "hindi",
        "hu": "hungarian",
        "hy": "armenian",
        "id": "indonesian",
        "it": "italian",
        "lt": "lithuanian",
        "nb": "norwegian",
        "ne": "nepali",
        "nl": "dutch",
        "nn": "norwegian",
        "no": "norwegian",
        "pl": "polish",
        "pt": "portuguese",
        "ro": "romanian",
        "ru": "russian",
        "sr": "serbian",
        "st": "sesotho",
        "sv": "swedish",
        "ta": "tamil",
        "tr": "turkish",
        "yi": "yiddish",
    }
)


def find_algorithm(language: str) -> str | None:
    """The algorithm for a language tag ("de", "de-AT") or an English name ("German"); none: words of
    this language stay as they are.
    """
    first = language.strip().lower().replace("_", "-").split("-")[0]
    return ALGORITHMS.get(first) or (first if first in ALGORITHMS.values() else None)


def stem_words(text: str, language: str) -> list[str]:
    """The stems of a text, one for each word of `split_words` and in its order, folded like it."""
    algorithm = find_algorithm(language)
    if algorithm is None:
        return split_words(text)
    if text.isascii():
        return [_stem(word, word, algorithm) for word in split_words(text)]
    return [_stem(text[start:end], word, algorithm) for start, end, word in find_words(text)]


@lru_cache(maxsize=1 << 16)
def _stem(written: str, word: str, algorithm: str) -> str:
    """A word with digits, or one whose stem would fall apart, is its own stem."""
    plain = unicodedata.normalize("NFKC", written).lower()
    if not plain.isalpha():
        return word
    # A stemmer holds the word it works on, so each call has its own: threads never share one.
    folded = split_words(_stemmer_class(algorithm)().stemWord(plain))
    return folded[0] if len(folded) == 1 else word


@lru_cache
def _stemmer_class(algorithm: str) -> Any:
    """Loaded when first needed: most commands look for no word."""
    module = importlib.import_module(f"snowballstemmer.{algorithm}_stemmer")
    return getattr(module, f"{algorithm.title()}Stemmer")
