"""`python -m sample_media FOLDER` makes the cards in FOLDER."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from sample_media.recipe import make_cards
from shared.errors import EXIT_DONE, EXIT_ERROR, AppError


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m sample_media", description="Make the sample cards.")
    parser.add_argument("folder", type=Path, help="where the cards go; made if it does not exist")
    folder = parser.parse_args().folder
    try:
        cards = make_cards(folder)
    except (AppError, OSError) as error:
        print(error, file=sys.stderr)
        return EXIT_ERROR
    for card in cards:
        print(f"{card.reel}  {card.file_count:2d} files  {card.path}  {card.note}")
    return EXIT_DONE


if __name__ == "__main__":
    sys.exit(main())
