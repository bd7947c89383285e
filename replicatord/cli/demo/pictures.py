"""What the demo's camera saw: invented estuary pictures, drawn from a seed.

May not write files or know of cards: a scene goes in, pixels or JPEG bytes come out. The same scene and the
same version of Pillow give the same pixels. Importing it without Pillow raises DemoNeedsPillow.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from random import Random
from typing import Final

from replicatord.cli.demo import shapes
from replicatord.cli.demo.needs import DemoNeedsPillow
from replicatord.cli.demo.scenes import Light, Scene, Subject
from replicatord.cli.demo.shapes import Colour, Plumage, Tile, mix

try:
    from PIL import Image, ImageChops, ImageDraw, ImageFilter, ImageOps
except ImportError as missing:
    raise DemoNeedsPillow from missing

SIZE: Final = (1600, 1067)  # pixels: large enough to look at, small enough for a demo
THUMBNAIL_SIZE: Final = (160, 120)  # pixels; CIPA DC-009 asks this of a DCF thumbnail (from memory)
_GRAIN: Final = 0.035  # share of sensor noise: pictures without any compress to almost nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class _Palette:
    """The colours of one light; sun_height is above the horizon, in parts of the sky, None without one."""

    sky: tuple[Colour, Colour, Colour]  # top, middle, at the horizon
    cloud: Colour
    sun: Colour
    sun_height: float | None
    hill: Colour
    water: Colour
    mud: Colour
    grass: Colour
    shade: float  # how much whatever stands there is a dark outline: 0 to 1


_PALETTES: Final[dict[Light, _Palette]] = {
    Light.DAWN: _Palette(
        sky=((104, 132, 176), (226, 176, 168), (255, 214, 160)), cloud=(244, 172, 150), sun=(255, 240, 196),
        sun_height=0.12, hill=(116, 104, 132), water=(92, 104, 132),
        mud=(104, 82, 76), grass=(70, 62, 48), shade=0.45,
    ),
    Light.DAY: _Palette(
        sky=((82, 138, 196), (148, 190, 224), (222, 234, 238)), cloud=(250, 250, 250), sun=(255, 255, 240),
        sun_height=None, hill=(104, 128, 138), water=(70, 112, 132),
        mud=(134, 114, 90), grass=(96, 104, 58), shade=0.0,
    ),
    Light.OVERCAST: _Palette(
        sky=((136, 148, 160), (178, 186, 192), (212, 214, 210)), cloud=(120, 130, 142), sun=(255, 255, 255),
        sun_height=None, hill=(124, 134, 140), water=(104, 118, 122),
        mud=(116, 104, 90), grass=(104, 100, 66), shade=0.12,
    ),
    Light.DUSK: _Palette(
        sky=((46, 52, 98), (170, 92, 110), (252, 168, 92)), cloud=(112, 62, 92), sun=(255, 214, 130),
        sun_height=0.06, hill=(66, 52, 82), water=(54, 52, 84),
        mud=(56, 42, 50), grass=(34, 28, 32), shade=0.8,
    ),
    Light.NIGHT: _Palette(
        sky=((10, 14, 34), (24, 34, 66), (58, 74, 108)), cloud=(44, 54, 84), sun=(236, 238, 226),
        sun_height=0.62, hill=(18, 24, 42), water=(14, 22, 44),
        mud=(26, 28, 40), grass=(10, 12, 18), shade=0.72,
    ),
}  # fmt: skip


def paint(scene: Scene) -> Image.Image:
    """Draw a scene: an RGB picture of SIZE."""
    rng = Random(scene.seed)  # noqa: S311 - a drawing, not a secret
    palette = _PALETTES[scene.light]
    width, height = SIZE
    # Sky and water are soft: drawn at half the size, they look the same and take a quarter of the time.
    ground = Image.new("RGB", ((width + 1) // 2, (height + 1) // 2))
    horizon = round(ground.height * rng.uniform(0.36, 0.5))
    sun = _paint_sky(ground, horizon, palette, rng)
    _paint_hills(ground, horizon, palette, rng)
    _paint_water(ground, horizon, palette, sun, rng)
    picture = ground.resize(SIZE, Image.Resampling.BILINEAR)
    _SUBJECTS[scene.subject](_Stage(picture=picture, horizon=horizon * 2, palette=palette, rng=rng))
    _paint_grass(picture, palette, rng)
    grain = Image.frombytes("L", SIZE, rng.randbytes(width * height)).convert("RGB")
    return Image.blend(picture, grain, _GRAIN)


def encode_jpeg(picture: Image.Image, *, quality: int = 90) -> bytes:
    """Encode a picture as JPEG (ITU-T T.81) without any metadata."""
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=quality)
    return out.getvalue()


def scaled(picture: Image.Image, size: tuple[int, int]) -> Image.Image:
    """Scale a picture to `size` in pixels."""
    return picture.resize(size, Image.Resampling.BOX, reducing_gap=2.0)


def thumbnail(picture: Image.Image) -> Image.Image:
    """Scale a picture into THUMBNAIL_SIZE, with black bars where the shapes differ."""
    return ImageOps.pad(picture.reduce(5), THUMBNAIL_SIZE, color=(0, 0, 0))


def pan(picture: Image.Image, *, size: tuple[int, int], count: int) -> Iterator[Image.Image]:
    """Give `count` pictures of `size` that look along a picture from left to right."""
    window_width = round(picture.width * 0.6)
    window_height = round(window_width * size[1] / size[0])
    top = (picture.height - window_height) // 2
    for i in range(count):
        left = round((picture.width - window_width) * i / max(1, count - 1))
        yield scaled(picture.crop((left, top, left + window_width, top + window_height)), size)


# ---- ground: sky, hills, water, banks ----


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sun:
    x: int
    y: int
    colour: Colour


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stage:
    """A picture with sky and water, ready for its subject."""

    picture: Image.Image
    horizon: int
    palette: _Palette
    rng: Random


def _paint_sky(picture: Image.Image, horizon: int, palette: _Palette, rng: Random) -> _Sun | None:
    width = picture.width
    top, middle, low = palette.sky
    sky = _gradient((width, horizon), ((0.0, top), (0.6, middle), (1.0, low)))
    sun = None
    if palette.sun_height is not None:
        sun = _Sun(
            x=round(width * rng.uniform(0.2, 0.8)),
            y=round(horizon * (1 - palette.sun_height)),
            colour=palette.sun,
        )
        sky = _glow(sky, sun, radius=round(width * 0.42), strength=0.75)
    wisps = Image.blend(_noise(rng, (4, 11), sky.size), _noise(rng, (14, 40), sky.size), 0.38)
    mask = wisps.point(_ramp(128, 3.2, 200))
    sky.paste(Image.new("RGB", sky.size, palette.cloud), mask=mask)
    if sun is not None:
        _paint_disc(sky, sun, radius=13)
    picture.paste(sky, (0, 0))
    return sun


def _paint_disc(sky: Image.Image, sun: _Sun, *, radius: int) -> None:
    """Draw the sun or moon itself, four times larger than used, so that its edge is smooth."""
    large = Image.new("L", (radius * 8, radius * 8), 0)
    ImageDraw.Draw(large).ellipse((0, 0, radius * 8 - 1, radius * 8 - 1), fill=255)
    disc = large.resize((radius * 2, radius * 2), Image.Resampling.BOX)
    sky.paste(sun.colour, (sun.x - radius, sun.y - radius), disc)


def _glow(sky: Image.Image, sun: _Sun, *, radius: int, strength: float) -> Image.Image:
    edge = 181  # what Pillow's gradient, which reaches 255 in its corners, has half-way along its sides
    fall = [round(max(0.0, 1 - v / edge) ** 2.2 * 255 * strength) for v in range(256)]
    halo = Image.radial_gradient("L").point(fall)
    mask = Image.new("L", sky.size, 0)
    mask.paste(
        halo.resize((radius * 2, radius * 2), Image.Resampling.BICUBIC), (sun.x - radius, sun.y - radius)
    )
    return Image.composite(Image.new("RGB", sky.size, sun.colour), sky, mask)


def _paint_hills(picture: Image.Image, horizon: int, palette: _Palette, rng: Random) -> None:
    for distance in (1.0, 0.55):  # far first; haze takes the colour of the sky above the water
        colour = mix(palette.hill, palette.sky[2], 0.62 * distance)
        rise = picture.height * (0.075 if distance == 1.0 else 0.035)
        phases = [rng.uniform(0, math.tau) for _ in range(4)]
        ridge = [
            (x, horizon - rise * _roll(x / picture.width, phases)) for x in range(0, picture.width + 5, 5)
        ]
        _fill(picture, [(0, horizon), *ridge, (picture.width, horizon)], colour)


def _roll(x: float, phases: Sequence[float]) -> float:
    """Give the height of a ridge, about 0 to 1, at `x` from 0 to 1."""
    waves = ((1.3, 0.45), (3.1, 0.25), (7.7, 0.09), (19.0, 0.03))
    return max(
        0.04, 0.42 + sum(a * math.sin(math.tau * f * x + p) for (f, a), p in zip(waves, phases, strict=True))
    )


def _paint_water(
    picture: Image.Image, horizon: int, palette: _Palette, sun: _Sun | None, rng: Random
) -> None:
    """Mirror what is above the horizon, darken it towards the eye, and lay ripples over it."""
    width, depth = picture.width, picture.height - horizon
    above = picture.crop((0, 0, width, horizon)).transpose(Image.Transpose.FLIP_TOP_BOTTOM)
    mirror = above.resize((width, depth), Image.Resampling.BILINEAR).filter(ImageFilter.BoxBlur((2, 5)))
    nearness = _gradient((width, depth), ((0.0, (70, 70, 70)), (1.0, (190, 190, 190)))).convert("L")
    water = Image.composite(Image.new("RGB", mirror.size, palette.water), mirror, nearness)
    ripples = _ripples((width, depth), rng)
    dark = ripples.point(_ramp(112, -1.5, 110))
    light = ripples.point(_ramp(146, 1.3, 90))
    water.paste(mix(palette.water, (0, 0, 10), 0.45), mask=dark)
    water.paste(mix(palette.sky[2], palette.sky[1], 0.4), mask=light)
    if sun is not None:
        _paint_glitter(water, ripples, sun)
    picture.paste(water, (0, horizon))


def _ripples(size: tuple[int, int], rng: Random) -> Image.Image:
    """Give noise on a level plane seen from a little above it: small far off, wide near by."""
    width, depth = size
    plane = _noise(rng, (110, 420), (440, 840))
    near = 9.0  # how many times nearer the lower edge is than the horizon
    h = (near - 1) / depth
    middle, spread = 220.0, 220.0 / (width / 2)
    coefficients = (spread, middle * h, middle - spread * width / 2, 0.0, 0.0, 839.0, 0.0, h)
    # Horizontal stretching: a ripple is several times as wide as it is deep.
    seen = plane.transform(size, Image.Transform.PERSPECTIVE, coefficients, Image.Resampling.BILINEAR)
    fine = _noise(rng, (width // 10, depth // 2), size)
    return Image.blend(seen.filter(ImageFilter.BoxBlur((4, 0))), fine, 0.3)


def _paint_glitter(water: Image.Image, ripples: Image.Image, sun: _Sun) -> None:
    """Lay the sun's or moon's broken path on the water below it."""
    width, depth = water.size
    across = bytes(round(255 * math.exp(-(((x - sun.x) / (width * 0.055)) ** 2))) for x in range(width))
    band = Image.frombytes("L", (width, 1), across).resize((width, depth))
    sparks = ripples.point(_ramp(118, 5, 255))
    water.paste(sun.colour, mask=ImageChops.multiply(band, sparks))


def _paint_bank(stage: _Stage, *, top: float, bottom: float, left: float, right: float) -> None:
    """Draw a bank of wet mud; edges in parts of the water's depth and of the picture's width."""
    width, depth = stage.picture.width, stage.picture.height - stage.horizon
    phases = [stage.rng.uniform(0, math.tau) for _ in range(4)]
    upper: list[tuple[float, float]] = []
    lower: list[tuple[float, float]] = []
    for i in range(101):
        t = i / 100
        swell = math.sin(math.pi * t) ** 0.6
        middle, half = (top + bottom) / 2, (bottom - top) / 2
        x = (left + (right - left) * t) * width
        upper.append((x, stage.horizon + depth * (middle - half * swell * (0.75 + 0.3 * _roll(t, phases)))))
        lower.append(
            (x, stage.horizon + depth * (middle + half * swell * (0.55 + 0.6 * _roll(1 - t, phases))))
        )
    _paint_mud(stage, [*upper, *reversed(lower)])


def _paint_mud(stage: _Stage, shape: Sequence[tuple[float, float]]) -> None:
    """Fill a shape with mud: lighter far off, with wet patches that hold the sky, and a dark edge below."""
    mask, corner = _mask(stage.picture.size, shape)
    palette, size = stage.palette, mask.size
    mud = _gradient(size, ((0.0, mix(palette.mud, palette.sky[2], 0.4)), (1.0, palette.mud)))
    uneven = Image.blend(_cells(stage.rng, size, (150, 26)), _cells(stage.rng, size, (34, 7)), 0.42)
    mud.paste(mix(palette.mud, palette.sky[2], 0.78), mask=uneven.point(_ramp(126, 3.0, 120)))
    mud.paste(mix(palette.mud, (0, 0, 0), 0.4), mask=uneven.point(_ramp(122, -2.5, 80)))
    shadow = mask.filter(ImageFilter.BoxBlur((3, 2))).point([v // 2 for v in range(256)])
    stage.picture.paste(mix(palette.water, (0, 0, 0), 0.5), (corner[0], corner[1] + 5), shadow)
    stage.picture.paste(mud, corner, mask)


def _paint_grass(picture: Image.Image, palette: _Palette, rng: Random) -> None:
    """Put a tuft or two into the near corners, which gives the picture its depth."""
    for corner in rng.sample((0.02, 0.14, 0.86, 0.98), rng.choice((1, 2, 3))):
        size = round(picture.width * rng.uniform(0.16, 0.26))
        tile = shapes.grass(size, rng, colour=palette.grass)
        _stand(picture, tile, x=round(picture.width * corner), y=picture.height + 6)


# ---- subjects ----


def _waders(stage: _Stage) -> None:
    """Lay a bank across the water with birds feeding on it, near ones in front."""
    rng = stage.rng
    _paint_bank(stage, top=0.06, bottom=0.18, left=rng.uniform(-0.3, 0.2), right=rng.uniform(0.8, 1.3))
    _paint_bank(stage, top=0.42, bottom=0.98, left=rng.uniform(-0.4, -0.1), right=rng.uniform(1.0, 1.4))
    plumage = rng.choice(tuple(Plumage))
    count = rng.randint(5, 9)
    places = rng.sample(range(count), count)  # apart from each other, in no order of depth
    depths = sorted(rng.uniform(0.46, 0.8) for _ in range(count))  # far ones first
    for depth, place in zip(depths, places, strict=True):
        x = 0.1 + 0.8 * (place + rng.uniform(0.2, 0.8)) / count
        _bird(stage, depth=depth, x=x, plumage=plumage)


def _portrait(stage: _Stage) -> None:
    """Stand one bird close by in the shallows, mirrored, with others far behind."""
    rng = stage.rng
    _paint_bank(stage, top=0.05, bottom=0.2, left=rng.uniform(-0.2, 0.1), right=rng.uniform(0.6, 1.2))
    for _ in range(4):
        _bird(stage, depth=rng.uniform(0.1, 0.16), x=rng.uniform(0.1, 0.9), plumage=Plumage.GREY)
    plumage = rng.choice(tuple(Plumage))
    x = rng.uniform(0.3, 0.6)
    tile = shapes.wader(400, plumage, is_feeding=rng.random() < 0.4, shade=stage.palette.shade)
    tile = tile if rng.random() < 0.6 else _turned(tile)
    _reflect_and_stand(stage, tile, x=round(stage.picture.width * x), y=round(stage.picture.height * 0.74))


def _flight(stage: _Stage) -> None:
    """Let a flock rise from a far bank."""
    rng = stage.rng
    _paint_bank(stage, top=0.1, bottom=0.4, left=rng.uniform(-0.3, 0.1), right=rng.uniform(0.7, 1.3))
    colour = mix((58, 54, 54), (20, 20, 30), stage.palette.shade)
    centre_x, centre_y = rng.uniform(0.35, 0.65), rng.uniform(0.4, 0.6)
    birds = [
        shapes.flying(rng.randint(20, 46), lift=rng.uniform(-0.9, 1.0), colour=colour) for _ in range(16)
    ]
    for _ in range(rng.randint(70, 120)):
        x, y = rng.gauss(centre_x, 0.15), rng.gauss(centre_y, 0.16)
        y += (x - centre_x) * 0.5  # the flock climbs
        bird = rng.choice(birds)
        _stand(stage.picture, bird, x=round(x * stage.picture.width), y=round(y * stage.horizon * 1.1))


def _sail(stage: _Stage) -> None:
    """Let boats sail by, the near one large."""
    rng = stage.rng
    sails: list[Colour] = [(164, 78, 54), (226, 212, 180), (148, 60, 48), (236, 230, 218)]
    for length, depth, x in ((70, 0.015, rng.uniform(0.6, 0.9)), (110, 0.04, rng.uniform(0.1, 0.4))):
        _boat(stage, length=length, depth=depth, x=x, sail=rng.choice(sails))
    _boat(
        stage,
        length=rng.randint(380, 520),
        depth=rng.uniform(0.22, 0.34),
        x=rng.uniform(0.35, 0.65),
        sail=rng.choice(sails),
    )


def _mooring(stage: _Stage) -> None:
    """Moor working boats between old posts."""
    rng = stage.rng
    _paint_bank(stage, top=0.62, bottom=1.15, left=rng.uniform(-0.5, -0.2), right=rng.uniform(0.5, 0.9))
    for length, depth, x in (
        (150, 0.06, 0.24),
        (210, 0.11, 0.8),
        (rng.randint(360, 460), 0.3, rng.uniform(0.42, 0.6)),
    ):
        _boat(stage, length=length, depth=depth, x=x + rng.uniform(-0.08, 0.08), sail=None)
    row = shapes.posts(150, rng, count=rng.randint(3, 5), shade=stage.palette.shade)
    depth_px = stage.picture.height - stage.horizon
    _reflect_and_stand(
        stage, row, x=round(stage.picture.width * rng.uniform(0.75, 0.9)), y=stage.horizon + depth_px // 2
    )


def _skerries(stage: _Stage) -> None:
    """Lay the Outer Skerries before the horizon: bare rocks, one with a light."""
    rng = stage.rng
    colour = mix((112, 102, 96), stage.palette.hill, 0.3)
    lit = rng.randrange(3)
    for i, (depth, size) in enumerate(((0.02, 300), (0.06, 430), (0.2, 620))):
        tile = shapes.rock(size, rng, colour=colour, has_light=i == lit, shade=stage.palette.shade)
        x = stage.picture.width * (0.2 + 0.3 * ((i * 2 + lit) % 3) + rng.uniform(-0.08, 0.08))
        y = stage.horizon + (stage.picture.height - stage.horizon) * depth
        _reflect_and_stand(stage, tile, x=round(x), y=round(y))
    for _ in range(9):
        tile = shapes.flying(rng.randint(18, 34), lift=rng.uniform(-0.4, 1.0), colour=(40, 40, 48))
        x, y = rng.uniform(0.15, 0.85), rng.uniform(0.45, 0.8)
        _stand(stage.picture, tile, x=round(x * stage.picture.width), y=round(y * stage.horizon))


_SUBJECTS: Final = {
    Subject.WADERS: _waders,
    Subject.PORTRAIT: _portrait,
    Subject.FLIGHT: _flight,
    Subject.SAIL: _sail,
    Subject.MOORING: _mooring,
    Subject.SKERRIES: _skerries,
}


def _bird(stage: _Stage, *, depth: float, x: float, plumage: Plumage) -> None:
    """Stand a bird `depth` of the way from the horizon to the lower edge, as large as it is near."""
    rng = stage.rng
    length = round(26 + 170 * depth)
    tile = shapes.wader(length, plumage, is_feeding=rng.random() < 0.55, shade=stage.palette.shade)
    tile = tile if rng.random() < 0.5 else _turned(tile)
    y = stage.horizon + round((stage.picture.height - stage.horizon) * depth)
    _shadow_and_stand(stage, tile, x=round(x * stage.picture.width), y=y)


def _boat(stage: _Stage, *, length: int, depth: float, x: float, sail: Colour | None) -> None:
    hulls: list[Colour] = [(42, 66, 92), (36, 82, 74), (134, 48, 42), (54, 52, 56), (206, 196, 172)]
    tile = shapes.boat(length, hull=stage.rng.choice(hulls), sail=sail, shade=stage.palette.shade * 0.9)
    tile = tile if stage.rng.random() < 0.5 else _turned(tile)
    y = stage.horizon + round((stage.picture.height - stage.horizon) * depth)
    _reflect_and_stand(stage, tile, x=round(x * stage.picture.width), y=y)


# ---- placing ----


def _stand(picture: Image.Image, tile: Tile, *, x: int, y: int) -> None:
    """Put a tile so that its foot is at (x, y); what falls outside the picture is cut."""
    picture.paste(tile.image, (x - tile.foot_x, y - tile.foot_y), tile.image)


def _turned(tile: Tile) -> Tile:
    image = tile.image.transpose(Image.Transpose.FLIP_LEFT_RIGHT)
    return Tile(image=image, foot_x=image.width - tile.foot_x, foot_y=tile.foot_y)


def _shadow_and_stand(stage: _Stage, tile: Tile, *, x: int, y: int) -> None:
    """Stand a tile on mud, with a soft patch of shade at its foot."""
    length, thickness = tile.image.width // 3, max(2, tile.image.height // 22)
    shade = Image.new("L", (length + 8, thickness * 2 + 8), 0)
    ImageDraw.Draw(shade).ellipse((4, 4, length + 3, thickness * 2 + 3), fill=90)
    shade = shade.filter(ImageFilter.BoxBlur(2))
    stage.picture.paste((12, 10, 14), (x - shade.width // 2, y - shade.height // 2), shade)
    _stand(stage.picture, tile, x=x, y=y)


def _reflect_and_stand(stage: _Stage, tile: Tile, *, x: int, y: int) -> None:
    """Stand a tile in water: first its broken mirror image below the foot, then itself."""
    above = tile.image.crop((0, 0, tile.image.width, tile.foot_y)).transpose(Image.Transpose.FLIP_TOP_BOTTOM)
    mirror = above.resize((above.width, max(1, round(above.height * 0.85)))).filter(
        ImageFilter.BoxBlur((2, 3))
    )
    streaks = _noise(stage.rng, (max(2, mirror.width // 60), max(2, mirror.height // 5)), mirror.size)
    fade = _gradient(mirror.size, ((0.0, (225, 225, 225)), (1.0, (140, 140, 140)))).convert("L")
    broken = streaks.point(_ramp(60, 3.0, 255))
    mask = ImageChops.multiply(ImageChops.multiply(mirror.getchannel("A"), fade), broken)
    colour = Image.blend(mirror.convert("RGB"), Image.new("RGB", mirror.size, stage.palette.water), 0.35)
    stage.picture.paste(colour, (x - tile.foot_x, y), mask)
    _stand(stage.picture, tile, x=x, y=y)


# ---- making ----


def _gradient(size: tuple[int, int], stops: Sequence[tuple[float, Colour]]) -> Image.Image:
    """Give colours that run from top to bottom; `stops` rise from 0 to 1."""
    steps = 256
    column = bytearray()
    for i in range(steps):
        t = i / (steps - 1)
        below = next((k for k, (at, _) in enumerate(stops) if at >= t), len(stops) - 1)
        (start, first), (end, second) = stops[max(0, below - 1)], stops[below]
        share = min(1.0, max(0.0, (t - start) / (end - start))) if end > start else 0.0
        column += bytes(mix(first, second, share))
    narrow = Image.frombytes("RGB", (1, steps), bytes(column)).resize((1, size[1]), Image.Resampling.BILINEAR)
    return narrow.resize(size, Image.Resampling.NEAREST)  # wide last: copying a pixel is much faster


def _noise(rng: Random, cells: tuple[int, int], size: tuple[int, int]) -> Image.Image:
    """Give smooth grey noise of `size`, as coarse as `cells` are few."""
    return Image.frombytes("L", cells, rng.randbytes(cells[0] * cells[1])).resize(
        size, Image.Resampling.BICUBIC
    )


def _cells(rng: Random, size: tuple[int, int], cell: tuple[int, int]) -> Image.Image:
    """Give smooth grey noise of `size` whose lumps are about as large as `cell`, in pixels."""
    return _noise(rng, (max(2, size[0] // cell[0]), max(2, size[1] // cell[1])), size)


def _ramp(start: int, slope: float, most: int) -> list[int]:
    """Give a table for Image.point: 0 up to `start`, then rising by `slope` (falling side if negative)."""
    return [max(0, min(most, round((v - start) * slope))) for v in range(256)]


def _mask(size: tuple[int, int], shape: Sequence[tuple[float, float]]) -> tuple[Image.Image, tuple[int, int]]:
    """Give a mask of a shape with smooth edges, no larger than needed, and where its corner belongs."""
    left = max(0, math.floor(min(x for x, _ in shape)))
    top = max(0, math.floor(min(y for _, y in shape)))
    right = min(size[0], math.ceil(max(x for x, _ in shape)))
    bottom = min(size[1], math.ceil(max(y for _, y in shape)))
    large = Image.new("L", (max(1, right - left) * 2, max(1, bottom - top) * 2), 0)
    ImageDraw.Draw(large).polygon([((x - left) * 2, (y - top) * 2) for x, y in shape], fill=255)
    return large.reduce(2), (left, top)


def _fill(picture: Image.Image, shape: Sequence[tuple[float, float]], colour: Colour) -> None:
    mask, corner = _mask(picture.size, shape)
    picture.paste(colour, corner, mask)
