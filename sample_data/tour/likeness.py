"""Whether pictures are those that the code draws; another version of a library may draw a line a little otherwise."""

from collections.abc import Mapping
from pathlib import Path
from typing import Final

import numpy as np
from PIL import Image

SAME_SHADE: Final = 48
"""Shades (of 255) by which a pixel of a picture made small may differ."""

SMALL: Final = 4
"""How many times smaller pictures are when they are compared."""

MOST_OTHER: Final = 0.02
"""Share of the pixels that may differ by more. Drawn by matplotlib 3.9.4 instead of 3.11.2 the pictures differ in 0.8 to 1.0 percent. One
lot of many in another colour is less: that shows in the numbers that the page quotes."""

MOST_OTHER_OF_A_BROWSER: Final = {"county_map": 0.15}
"""Its fonts are those of the machine."""


def differences(pictures: Mapping[str, Image.Image], folder: Path) -> list[str]:
    """What is wrong with the pictures in `folder`, in sentences."""
    faults = []
    for name, picture in pictures.items():
        path = folder / f"{name}.png"
        if not path.exists():
            faults.append(f"{path.name} is not there")
            continue
        with Image.open(path) as kept:
            other = share_of_other_pixels(kept.convert("RGB"), picture.convert("RGB"))
        if other > MOST_OTHER_OF_A_BROWSER.get(name, MOST_OTHER):
            faults.append(f"{path.name} is not what is drawn now: {100 * other:.0f} percent of it differ")
    return faults


def share_of_other_pixels(one: Image.Image, other: Image.Image) -> float:
    """Share of pixels that differ by more than `SAME_SHADE` when both are made small; 1 for pictures of other sizes."""
    if any(abs(a - b) > 2 for a, b in zip(one.size, other.size, strict=True)):
        return 1.0
    size = one.size[0] // SMALL, one.size[1] // SMALL
    shades = [np.asarray(picture.resize(size, Image.Resampling.BOX), np.int16) for picture in (one, other)]
    return float((np.abs(shades[0] - shades[1]).max(axis=2) > SAME_SHADE).mean())
