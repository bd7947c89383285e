"""How fast previews are made, beside a plain decode with the same library. May not measure the service.

All files are read before, so that no disk is measured; everything computes on one core.
"""

from __future__ import annotations

import io
import os
import tempfile
from functools import partial
from pathlib import Path
from typing import Final

from PIL import Image

from replicatord.previews.limits import Ask, Said
from replicatord.previews.worker import Worker
from tests import preview_builders as make
from tests.bench.rounds import OURS, Figure, Study, Way, take_turns, timed

_FILES: Final = 40
_SIDE: Final = 320
_LARGE: Final = (6000, 4000)  # 24 megapixels
_EMBEDDED: Final = (1620, 1080)
_QUALITIES: Final = (85, 93)  # of the JPEGs: some 6 and 12 MB


def study_previews(rounds: int, scale: float) -> Study:
    """Make previews of JPEGs of 24 megapixels, and of raws that carry smaller ones."""
    count = max(round(_FILES * scale), 1)
    drawn = _drawn(_LARGE)
    small = _jpeg(_drawn(_EMBEDDED), 93)
    plain = {f"24 MP, {len(jpeg) / 1e6:.0f} MB": jpeg for jpeg in (_jpeg(drawn, q) for q in _QUALITIES)}
    large = next(iter(plain.values()))
    contents = {
        **plain,
        "24 MP with a smaller one": make.multi(large, _jpeg(drawn.resize((1440, 960)), 85)),
        "raw with two JPEGs": make.nef(small, large),
    }
    study = Study(
        name="previews", what=f"{count} files of each kind, each read before; child process included"
    )
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        worker = Worker(must_stop=lambda: False)
        ways = []
        for kind, content in contents.items():
            path = Path(folder) / kind
            path.write_bytes(content)
            ask = Ask.RAW if kind.startswith("raw") else Ask.PHOTO
            ways.append(Way(name=f"{OURS}, {kind}", run=partial(_make, worker, path, ask, count)))
            if kind in plain:
                ways.append(Way(name=f"whole decode, {kind}", run=partial(_decode_whole, path, count)))
        _make(
            worker, Path(folder) / next(iter(contents)), Ask.PHOTO, 1
        )  # the start of the child is not counted
        take_turns(study, ways, rounds=rounds)
        peak = _peak_mb(worker)
        for kind in contents:
            ask = Ask.RAW if kind.startswith("raw") else Ask.PHOTO
            rate = max(_rate(worker, Path(folder) / kind, ask, count) for _ in range(rounds))
            study.figures.append(Figure(name=f"a core's second: {kind}", value=rate, unit="frames"))
        worker.close()
    study.figures.append(Figure(name="most memory of the child", value=peak, unit="MB"))
    return study


def _make(worker: Worker, path: Path, ask: Ask, count: int) -> float:
    fd = os.open(path, os.O_RDONLY)
    with timed() as seconds:
        for _ in range(count):
            answer = worker.make(fd, ask)
            assert answer.said is Said.MADE, answer.why
    os.close(fd)
    return seconds()


def _decode_whole(path: Path, count: int) -> float:
    with timed() as seconds:
        for _ in range(count):
            with Image.open(path) as image:
                image.load()
                image.resize((_SIDE, 213), Image.Resampling.BICUBIC).save(io.BytesIO(), "JPEG")
    return seconds()


def _rate(worker: Worker, path: Path, ask: Ask, count: int) -> float:
    """Give how many are made for each second that the child computes, however busy the machine is."""
    before = _computed_s(worker)
    _make(worker, path, ask, count)
    return count / (_computed_s(worker) - before)


def _computed_s(worker: Worker) -> float:
    """Give how long a child has computed (proc(5), stat: utime and stime are fields 14 and 15)."""
    fields = Path(f"/proc/{worker.pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _peak_mb(worker: Worker) -> float:
    lines = Path(f"/proc/{worker.pid}/status").read_text(encoding="ascii")
    return int(lines.split("VmHWM:")[1].split()[0]) / 1000


def _drawn(size: tuple[int, int]) -> Image.Image:
    """Draw something that has as much in it as a photograph: soft shapes, structure, and a sensor's noise."""
    width, height = size
    soft = Image.effect_noise((width // 2, height // 2), 60).resize(size, Image.Resampling.BICUBIC)
    fine, slope = Image.effect_noise(size, 12), Image.linear_gradient("L").resize(size)
    blend = Image.blend
    green = blend(blend(slope, soft, 0.3), fine, 0.2)
    return Image.merge("RGB", (blend(slope, soft, 0.4), green, blend(slope, fine, 0.1)))


def _jpeg(image: Image.Image, quality: int) -> bytes:
    written = io.BytesIO()
    image.save(written, "JPEG", quality=quality, subsampling=2 if quality < 90 else 1)
    return written.getvalue()
