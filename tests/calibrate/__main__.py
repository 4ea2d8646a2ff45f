"""Every calibration after another: `make calibrate`. The halves of the focus clips share no photograph."""

from __future__ import annotations

import os

from tests.calibrate import focus, suggested


def main() -> None:
    os.nice(10)
    focus.run(["choosing", "reporting"], focus.HUNTING_CLIPS, focus.OTHER_CLIPS, choose=True)
    suggested.main()


if __name__ == "__main__":
    main()
