"""A photo as it goes into a case: made small, and without what a camera writes into it (place, time, owner).

Not modeled: other kinds of pictures than PNG and JPEG.
"""

from __future__ import annotations

from base64 import b64encode
from io import BytesIO
from pathlib import PurePath

from PIL import Image, ImageOps, UnidentifiedImageError

from sim.lab.case import MOST_PHOTO_TEXT, Photo
from sim.vehicle.problems import Problem

LONGEST_PX = 1280
QUALITIES = (80, 60, 40)  # of JPEG, until it is small enough
MOST_PX = 60_000_000  # more than any phone's camera; a file that unpacks to more is refused


def photo_of(name: str, raw: bytes) -> Photo:
    """The photo of a file, at most `LONGEST_PX` long; raises `Problem` for what is none."""
    shown = PurePath(name).name[:80] or "photo"
    try:
        with Image.open(BytesIO(raw), formats=("PNG", "JPEG")) as picture:
            if picture.width * picture.height > MOST_PX:
                raise Problem(f"'{shown}' has {picture.width} x {picture.height} pixels: that is too many")
            small = ImageOps.exif_transpose(picture).convert("RGB")
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError, Image.DecompressionBombError):
        raise Problem(f"'{shown}' is no photo: a step takes PNG and JPEG") from None
    small.thumbnail((LONGEST_PX, LONGEST_PX))
    for quality in QUALITIES:
        written = BytesIO()
        small.save(written, "JPEG", quality=quality, optimize=True)
        text = b64encode(written.getvalue()).decode("ascii")
        if len(text) <= MOST_PHOTO_TEXT:
            return Photo(name=shown, data=text)
        small.thumbnail((small.width * 3 // 4, small.height * 3 // 4))
    raise Problem(f"'{shown}' stays too large, however small it is made")
