"""Every calibration after another: `make calibrate`. The halves of the focus clips share no photograph."""

from __future__ import annotations

import os

from tests.calibrate import focus, sizes, slates, suggested


def main() -> None:
    os.nice(10)
    focus.run(list(focus.HALVES), choose=True)
    suggested.main()
    sizes.main()
    slates.main()


if __name__ == "__main__":
    main()
