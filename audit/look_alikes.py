"""Letters of other scripts that look like Latin ones, as they slip into identifiers.

Source: common practice, no source; by the look of the capitals, in which identifiers are written.
"""

from __future__ import annotations

_CYRILLIC = dict(zip("авекмнорстухіјѕ", "abekmhopctyxijs", strict=True))
_GREEK = dict(zip("αβεζηικμνορτυχ", "abezhikmnoptyx", strict=True))
LOOK_ALIKES = str.maketrans(_CYRILLIC | _GREEK)
"""For `str.translate` on text in small letters."""
