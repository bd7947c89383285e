"""What stands in a demo picture: invented waders, boats, rocks and grass, each on a small clear tile.

May not know of scenes, files or the card. All forms are in units of their own length, facing right, and are
drawn larger than they are used, so that scaling them down smooths their edges.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from random import Random
from typing import Final, TypeAlias

from replicatord.cli.demo.needs import DemoNeedsPillow

try:
    from PIL import Image, ImageDraw
except ImportError as missing:
    raise DemoNeedsPillow from missing

Colour: TypeAlias = tuple[int, int, int]
Point: TypeAlias = tuple[float, float]

_FINER: Final = 3  # drawn this much larger than used
_CURVE_STEPS: Final = 8  # straight pieces between two points of a curve
_MARGIN: Final = 0.04  # of the unit, so that no smoothed edge is cut


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """A shape on a clear ground, and where in it the ground or waterline point lies."""

    image: Image.Image  # RGBA
    foot_x: int  # pixels from the tile's left edge
    foot_y: int  # pixels from the tile's top edge


class Plumage(Enum):
    """What a wader looks like: back, wing, breast, bill, legs, and the bill's length and bend in units."""

    BROWN = ((139, 116, 88), (104, 84, 62), (206, 188, 158), (74, 58, 50), (96, 104, 98), 0.52, 0.17)
    GREY = ((148, 146, 140), (112, 110, 108), (232, 228, 220), (42, 40, 42), (60, 62, 60), 0.25, 0.04)
    PIED = ((38, 37, 42), (26, 25, 30), (236, 234, 228), (214, 86, 40), (214, 132, 120), 0.36, 0.0)
    WHITE = ((226, 224, 216), (58, 56, 60), (242, 240, 234), (34, 34, 38), (112, 134, 150), 0.36, -0.12)


_STANDING: Final[tuple[Point, ...]] = (
    (-0.62, -0.03), (-0.3, -0.17), (0.05, -0.23), (0.19, -0.34), (0.22, -0.48), (0.31, -0.56), (0.42, -0.52),
    (0.46, -0.46), (0.39, -0.41), (0.34, -0.28), (0.34, -0.08), (0.14, 0.11), (-0.2, 0.1), (-0.5, 0.03),
)  # fmt: skip
_FEEDING: Final[tuple[Point, ...]] = (
    (-0.6, -0.14), (-0.3, -0.21), (0.05, -0.24), (0.27, -0.22), (0.46, -0.19), (0.58, -0.11), (0.6, -0.01),
    (0.55, 0.03), (0.46, -0.01), (0.36, 0.02), (0.24, 0.11), (0.02, 0.13), (-0.25, 0.06), (-0.5, -0.05),
)  # fmt: skip
_GROUND: Final = 0.6  # how far below the middle of the body the feet are


def wader(length_px: int, plumage: Plumage, *, is_feeding: bool, shade: float) -> Tile:
    """Draw one wader, `length_px` long from tail to breast; `shade` 0 is full colour, 1 a dark outline."""
    back, wing, breast, bill, legs, bill_length, bend = plumage.value
    pen = _Pen(length_px, box=(-0.75, -0.7, 1.1, _GROUND + 0.05), shade=shade)
    outline = _FEEDING if is_feeding else _STANDING
    tilt = -0.05 if is_feeding else 0.0
    for hip, knee, foot in ((-0.02, -0.1, -0.04), (0.08, 0.02, 0.1)):
        pen.line([(hip, 0.08), (knee, 0.34), (foot, _GROUND)], legs, width=0.028)
        pen.line([(foot - 0.03, _GROUND), (foot + 0.09, _GROUND)], legs, width=0.022)
    pen.taper(_bill(bill_length, bend, is_feeding=is_feeding), bill, width=0.05)
    pen.blob(outline, back)
    pen.blob(_lower_side(outline), breast)
    pen.blob(
        [
            (-0.7, -0.03 + tilt),
            (-0.3, -0.17 + tilt),
            (0.08, -0.19),
            (0.2, -0.06),
            (0.0, 0.03),
            (-0.34, 0.02 + tilt),
        ],
        wing,
    )
    pen.line([(-0.5, -0.04 + tilt), (-0.15, -0.07), (0.1, -0.05)], back, width=0.016)
    eye = (0.53, -0.1) if is_feeding else (0.365, -0.49)
    pen.dot(eye, 0.02, (20, 18, 18))
    return pen.tile(foot=(0.0, _GROUND))


def _lower_side(outline: Sequence[Point]) -> list[Point]:
    """Give breast and belly: the lower edge of the body and a line a little above it."""
    lower = list(outline[9:13])
    return [*lower, (-0.15, 0.03), (0.16, -0.02), (lower[0][0] - 0.06, lower[0][1] + 0.06)]


def _bill(length: float, bend: float, *, is_feeding: bool) -> list[Point]:
    if is_feeding:
        base, along, across = (0.575, -0.04), (0.2, 0.98), (-1.0, 0.1)
        bend = -bend
    else:
        base, along, across = (0.43, -0.48), (0.98, 0.14), (0.0, 1.0)
    reach = [step / 10 for step in range(11)]
    return [
        (
            base[0] + along[0] * length * t + across[0] * abs(bend) * t * t * (1 if bend > 0 else -1),
            base[1] + along[1] * length * t + across[1] * abs(bend) * t * t * (1 if bend > 0 else -1),
        )
        for t in reach
    ]


def flying(span_px: int, *, lift: float, colour: Colour) -> Tile:
    """Draw a bird far off on the wing; `lift` -1 to 1 is how high it holds its wings."""
    pen = _Pen(span_px, box=(-0.6, -0.45, 0.6, 0.45), shade=0.0)
    tip = -0.3 * lift
    pen.blob(
        [(-0.5, tip), (-0.2, tip * 0.75 - 0.06), (0.02, -0.04), (0.06, 0.05), (-0.18, tip * 0.4 + 0.03)],
        colour,
    )
    pen.blob(
        [(0.5, tip), (0.25, tip * 0.75 - 0.06), (0.02, -0.04), (-0.02, 0.05), (0.2, tip * 0.4 + 0.03)], colour
    )
    pen.blob([(-0.12, 0.05), (0.02, -0.04), (0.2, 0.0), (0.04, 0.07)], colour)
    return pen.tile(foot=(0.0, 0.0))


def boat(length_px: int, *, hull: Colour, sail: Colour | None, shade: float) -> Tile:
    """Draw a working boat, under sail or, without a `sail` colour, moored with a wheelhouse."""
    pen = _Pen(length_px // 2, box=(-1.2, -1.85, 1.35, 0.05), shade=shade)
    dark, wood, rope = (46, 40, 38), (120, 88, 58), (70, 64, 60)
    mast_x, mast_top = (0.15, -1.7) if sail else (0.3, -1.25)
    pen.line([(mast_x, -0.2), (mast_x, mast_top)], wood, width=0.04)
    pen.line([(mast_x, mast_top), (1.05, -0.42)], rope, width=0.012)
    pen.line([(mast_x, mast_top), (-1.0, -0.32)], rope, width=0.012)
    if sail:
        lighter = mix(sail, (255, 255, 255), 0.25)
        pen.area([(0.1, -0.38), (-0.95, -0.44), (-0.72, -1.22), (0.1, -1.45)], sail)
        pen.area([(0.1, -1.5), (0.1, -1.68), (-0.55, -1.34)], lighter)
        pen.blob([(0.22, -1.5), (0.5, -0.9), (1.0, -0.46), (0.24, -0.44)], lighter)
        pen.line([(0.1, -0.37), (-1.0, -0.43)], wood, width=0.03)
    else:
        pen.area([(-0.72, -0.2), (-0.72, -0.66), (-0.1, -0.7), (-0.02, -0.2)], (226, 220, 206))
        pen.area([(-0.78, -0.64), (-0.78, -0.72), (-0.04, -0.76), (-0.04, -0.68)], hull)
        pen.area([(-0.36, -0.4), (-0.36, -0.58), (-0.12, -0.6), (-0.08, -0.42)], (66, 84, 96))
        pen.area([(-0.64, -0.4), (-0.64, -0.57), (-0.44, -0.58), (-0.44, -0.4)], (66, 84, 96))
        pen.line([(0.3, -0.5), (0.9, -0.95)], wood, width=0.03)
    sheer: list[Point] = [(-1.02, -0.36), (-0.6, -0.27), (0.1, -0.25), (0.6, -0.32), (1.1, -0.5)]
    pen.area([*sheer, (0.86, 0.0), (-0.9, 0.0)], hull)
    pen.area([(-0.94, -0.1), (0.93, -0.12), (0.86, 0.0), (-0.9, 0.0)], mix(hull, dark, 0.55))
    pen.line(sheer, (232, 224, 206), width=0.035)
    return pen.tile(foot=(0.0, 0.0))


def rock(width_px: int, rng: Random, *, colour: Colour, has_light: bool, shade: float) -> Tile:
    """Draw a skerry as seen from the water, with a small light tower on it if asked."""
    height = 0.5 if has_light else 0.0
    pen = _Pen(width_px, box=(-0.6, -0.32 - height, 0.6, 0.03), shade=shade)
    ridge = [
        (-0.52 + 1.04 * i / 14, -(1 - abs(i - 6.5) / 8) * rng.uniform(0.1, 0.24) - 0.01) for i in range(15)
    ]
    peak = min(ridge, key=lambda point: point[1])
    if has_light:
        x, y = peak
        pen.area(
            [(x - 0.035, y + 0.05), (x - 0.022, y - 0.26), (x + 0.022, y - 0.26), (x + 0.035, y + 0.05)],
            (236, 232, 222),
        )
        pen.area(
            [(x - 0.03, y - 0.08), (x - 0.026, y - 0.16), (x + 0.026, y - 0.16), (x + 0.03, y - 0.08)],
            (176, 62, 48),
        )
        pen.area(
            [(x - 0.018, y - 0.25), (x - 0.018, y - 0.31), (x + 0.018, y - 0.31), (x + 0.018, y - 0.25)],
            (255, 238, 178),
        )
        pen.area([(x - 0.026, y - 0.3), (x, y - 0.35), (x + 0.026, y - 0.3)], (88, 40, 36))
    pen.area([(-0.56, 0.0), *ridge, (0.56, 0.0)], colour)
    for x, y in ridge[::2]:  # lit faces, so that it reads as stone and not as a cut-out
        pen.area(
            [(x, y + 0.01), (x + 0.05, y * 0.7), (x + 0.02, y * 0.25), (x - 0.03, y * 0.4)],
            mix(colour, (230, 214, 190), 0.28),
        )
    pen.area([(-0.56, -0.012), (0.56, -0.012), (0.56, 0.004), (-0.56, 0.004)], (206, 212, 212))
    return pen.tile(foot=(0.0, 0.0))


def posts(height_px: int, rng: Random, *, count: int, shade: float) -> Tile:
    """Draw a row of old mooring posts."""
    width = 0.45 * count
    pen = _Pen(height_px, box=(-0.2, -1.2, width + 0.2, 0.04), shade=shade)
    for i in range(count):
        x, top, lean = 0.45 * i + rng.uniform(-0.06, 0.06), -rng.uniform(0.6, 1.0), rng.uniform(-0.05, 0.05)
        pen.area([(x, 0), (x + lean, top), (x + lean + 0.1, top - 0.02), (x + 0.12, 0)], (84, 70, 58))
        pen.area(
            [(x + 0.07, 0), (x + lean + 0.07, top), (x + lean + 0.1, top - 0.02), (x + 0.12, 0)], (58, 48, 42)
        )
        pen.area(
            [(x, 0), (x + lean * 0.3, top * 0.3), (x + lean * 0.3 + 0.11, top * 0.3), (x + 0.12, 0)],
            (52, 62, 44),
        )
    return pen.tile(foot=(width / 2, 0.0))


def grass(width_px: int, rng: Random, *, colour: Colour) -> Tile:
    """Draw a tuft of marsh grass for the near edge of a picture."""
    pen = _Pen(width_px, box=(-0.15, -0.75, 1.15, 0.05), shade=0.0, finer=2)
    for _ in range(70):
        x = rng.betavariate(1.3, 1.3)
        height, lean = rng.uniform(0.2, 0.68) * (1.15 - abs(x - 0.5)), rng.gauss(0.06, 0.1)
        blade = [(x, 0.05), (x + lean * 0.3, -height * 0.55), (x + lean, -height)]
        dry = mix(colour, (214, 186, 120), rng.uniform(0.0, 0.45))
        pen.taper(_curve(blade, is_closed=False, steps=4), dry, width=0.016)
    return pen.tile(foot=(0.5, 0.0))


def mix(one: Colour, other: Colour, share: float) -> Colour:
    """Give a colour between two: `share` 0 is the first, 1 the second."""
    red, green, blue = (round(a + (b - a) * share) for a, b in zip(one, other, strict=True))
    return red, green, blue


def _curve(points: Sequence[Point], *, is_closed: bool, steps: int = _CURVE_STEPS) -> list[Point]:
    """Round off a line through `points`: a uniform Catmull-Rom spline, which passes through each of them."""
    count = len(points)
    found: list[Point] = []
    for i in range(count if is_closed else count - 1):
        wanted = (i - 1, i, i + 1, i + 2)
        p0, p1, p2, p3 = (points[k % count if is_closed else min(max(k, 0), count - 1)] for k in wanted)
        for step in range(steps):
            t = step / steps
            found.append((_spline(p0[0], p1[0], p2[0], p3[0], t), _spline(p0[1], p1[1], p2[1], p3[1], t)))
    return found if is_closed else [*found, points[-1]]


def _spline(p0: float, p1: float, p2: float, p3: float, t: float) -> float:
    return 0.5 * (
        2 * p1 + (p2 - p0) * t + (2 * p0 - 5 * p1 + 4 * p2 - p3) * t * t + (3 * p1 - p0 - 3 * p2 + p3) * t**3
    )


class _Pen:
    """Draws in units on a tile that is larger than it will be used."""

    def __init__(
        self, unit_px: int, *, box: tuple[float, float, float, float], shade: float, finer: int = _FINER
    ) -> None:
        """Begin a tile that shows `box`: left, top, right, bottom in units; drawn `finer` times as large."""
        left, top, right, bottom = box
        self._unit, self._finer = unit_px * finer, finer
        self._left, self._top, self._shade = left - _MARGIN, top - _MARGIN, shade
        width, height = (right - left + 2 * _MARGIN) * unit_px, (bottom - top + 2 * _MARGIN) * unit_px
        size = (max(1, round(width)) * finer, max(1, round(height)) * finer)
        self._image = Image.new("RGBA", size, (0, 0, 0, 0))
        self._draw = ImageDraw.Draw(self._image)

    def blob(self, points: Sequence[Point], colour: Colour) -> None:
        self.area(_curve(points, is_closed=True), colour)

    def area(self, points: Sequence[Point], colour: Colour) -> None:
        self._draw.polygon([self._at(point) for point in points], fill=self._shaded(colour))

    def line(self, points: Sequence[Point], colour: Colour, *, width: float) -> None:
        thick = max(1, round(width * self._unit))
        self._draw.line(
            [self._at(point) for point in points], fill=self._shaded(colour), width=thick, joint="curve"
        )

    def taper(self, points: Sequence[Point], colour: Colour, *, width: float) -> None:
        """Draw a line that gets thinner: one polygon, which is much faster than a line for each piece."""
        one_side: list[Point] = []
        other_side: list[Point] = []
        for i, (x, y) in enumerate(points):
            (x0, y0), (x1, y1) = points[max(0, i - 1)], points[min(len(points) - 1, i + 1)]
            length = math.hypot(x1 - x0, y1 - y0) or 1.0
            half = width / 2 * (1 - 0.8 * i / len(points))
            across_x, across_y = -(y1 - y0) / length * half, (x1 - x0) / length * half
            one_side.append((x + across_x, y + across_y))
            other_side.append((x - across_x, y - across_y))
        self.area([*one_side, *reversed(other_side)], colour)

    def dot(self, centre: Point, radius: float, colour: Colour) -> None:
        x, y = self._at(centre)
        r = radius * self._unit
        self._draw.ellipse((x - r, y - r, x + r, y + r), fill=self._shaded(colour))

    def tile(self, *, foot: Point) -> Tile:
        x, y = self._at(foot)
        image = self._image.reduce(self._finer)
        return Tile(image=image, foot_x=round(x / self._finer), foot_y=round(y / self._finer))

    def _at(self, point: Point) -> Point:
        return (point[0] - self._left) * self._unit, (point[1] - self._top) * self._unit

    def _shaded(self, colour: Colour) -> tuple[int, int, int, int]:
        return (*mix(colour, (22, 22, 32), self._shade), 255)
