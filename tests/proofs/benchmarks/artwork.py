"""Figures of the artwork room, by hand: ``python -m tests.proofs.benchmarks.artwork [accuracy] [a4]
[growth]``. Not collected by pytest.

accuracy: largest error and honesty of the stated uncertainty per family of shapes, for five kinds
of file. a4: time and peak memory of the measuring process for A4 at 1200 dpi, against opening the
file with Pillow alone. growth: time against resolution and area, which should be linear.
"""

from __future__ import annotations

import json
import os
import random
import socket
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageDraw

from controller.artwork.exchange import read_answer, send_request
from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions
from tests.kits.artwork.files import pdf, svg
from tests.kits.artwork.shapes import families, save
from tests.kits.artwork.worker_kit import request_of
from tests.paths import ROOT

S_MM = (0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.5, 0.75, 1.0)
A4_PX_1200 = (9921, 14031)


def accuracy(rounds: int = 6) -> None:
    """Print the table of errors."""
    for kind, dpi in (("grey", 600), ("grey", 300), ("few", 600), ("jpeg", 600), ("one_bit", 600)):
        print(
            f"\n{kind} at {dpi} dpi, {rounds} offsets and turns each: largest error in %, and in "
            f"stated deviations"
        )
        print(f"{'':22}{'area':>7}{'edge':>7}   A(s) at {' '.join(f'{s:g}' for s in S_MM)} mm")
        ratios = []
        errors: dict[str, list[list[float]]] = {}
        with tempfile.TemporaryDirectory() as folder:
            for seed in range(rounds):
                for name, shape in families(np.random.default_rng(seed)):
                    found = measure_file(
                        save(Path(folder) / "a", shape, dpi, kind), MeasureOptions()
                    )
                    sigma = dict(found.growth_uncertainty_mm2)
                    truth = [shape.buffer(s, quad_segs=64).area for s in S_MM]
                    grown = [found.grown_mm2(s) for s in S_MM]
                    off = [found.area_mm2 / shape.area - 1, found.edge_mm / shape.length - 1]
                    errors.setdefault(name, []).append(
                        [
                            100 * abs(e)
                            for e in (*off, *(g / t - 1 for g, t in zip(grown, truth, strict=True)))
                        ]
                    )
                    ratios += [(found.area_mm2 - shape.area) / found.area_uncertainty_mm2]
                    ratios += [(found.edge_mm - shape.length) / found.edge_uncertainty_mm]
                    ratios += [
                        (g - t) / sigma[s]
                        for s, g, t in zip(S_MM, grown, truth, strict=True)
                        if s in sigma
                    ]
        for name, rows in errors.items():
            area, edge, *curve = np.max(rows, axis=0)
            print(f"{name:22}{area:7.3f}{edge:7.2f}   " + " ".join(f"{e:.2f}" for e in curve))
        size = np.abs(ratios)
        within = ", ".join(f"{100 * (size < k).mean():.1f} % within {k}" for k in (1, 2, 3))
        print(f"of the stated deviations: {within}; largest {size.max():.1f}")


def artwork(width_px: int, height_px: int, shapes: int, seed: int = 1) -> Image.Image:
    """Return lines, discs and polygons over the whole sheet, sized for the resolution."""
    rng = random.Random(seed)
    image = Image.new("L", (width_px, height_px), 255)
    draw = ImageDraw.Draw(image)
    unit = width_px / A4_PX_1200[0]
    for _ in range(shapes):
        x, y, r, ink = (
            rng.random() * width_px,
            rng.random() * height_px,
            rng.uniform(20, 300) * unit,
            255 * (rng.random() < 0.3),
        )
        match rng.randrange(3):
            case 0:
                draw.ellipse((x - r, y - r, x + r, y + r), fill=ink)
            case 1:
                end = (x + rng.uniform(-900, 900) * unit, y + rng.uniform(-900, 900) * unit)
                draw.line((x, y, *end), fill=0, width=max(1, int(rng.uniform(5, 40) * unit)))
            case _:
                draw.regular_polygon(
                    (x, y, r), rng.randint(3, 8), rotation=rng.random() * 360, fill=ink
                )
    return image


def shaded(image: Image.Image) -> Image.Image:
    """Return the image with its edges shaded by averaging 2 x 2 pixels around each."""
    pixels = np.asarray(image).astype(np.uint16)
    mean = pixels + np.roll(pixels, 1, 0) + np.roll(pixels, 1, 1) + np.roll(pixels, (1, 1), (0, 1))
    return Image.fromarray((mean // 4).astype(np.uint8))


def run(command: list[str], text: str = "") -> tuple[float, float, int, str]:
    """Return wall time in s, processor time in s, peak memory in MB and output of a process."""
    with tempfile.TemporaryFile() as given, tempfile.TemporaryFile() as taken:
        given.write(text.encode())
        given.seek(0)
        start_s = os.times().elapsed
        process = subprocess.Popen(command, cwd=ROOT, stdin=given, stdout=taken)
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        wall_s = os.times().elapsed - start_s
        taken.seek(0)
        output = taken.read().decode()
    return wall_s, usage.ru_utime + usage.ru_stime, usage.ru_maxrss // 1024, output


def measured(
    path: Path, *, with_preview: bool = False, options: dict[str, Any] | None = None
) -> tuple[float, float, int, str]:
    """Return the same of a worker, which takes its request from a socket."""
    options = options or {"depth_mm": 0.25, "etch_factor": 1.2}
    request = request_of(path, options=options, with_picture=with_preview, cpu_limit_s=600)
    ours, theirs = socket.socketpair()
    start_s = os.times().elapsed
    with ours, path.open("rb") as file, Path(os.devnull).open("wb") as errors:
        with theirs:
            process = subprocess.Popen(
                [sys.executable, "-m", "controller.artwork.worker"], cwd=ROOT, stdin=theirs.fileno()
            )
        send_request(ours, request, (file.fileno(), errors.fileno()))
        answer = b"".join(iter(lambda: ours.recv(65536), b""))
        _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    wall_s = os.times().elapsed - start_s
    reply = json.dumps(read_answer(answer)[0])
    return wall_s, usage.ru_utime + usage.ru_stime, usage.ru_maxrss // 1024, reply


def draw_a4(folder: Path, shapes: int) -> None:
    """Write the A4 files, in a separate process: a child's peak memory starts from its parent's."""
    plain = artwork(*A4_PX_1200, shapes)
    grey, bits = shaded(plain), plain.convert("1")
    for name, image, file_format, more in (
        ("grey PNG", grey, "PNG", {}),
        ("grey TIFF, LZW", grey, "TIFF", {"compression": "tiff_lzw"}),
        ("grey JPEG", grey, "JPEG", {"quality": 90}),
        ("one-bit PNG", bits, "PNG", {}),
        ("one-bit TIFF, fax", bits, "TIFF", {"compression": "group4"}),
    ):
        image.save(folder / name, file_format, dpi=(1200, 1200), **more)
    places = [(k % 20 * 10 + 5, k // 20 * 0.9 + 5, k % 7 + 1) for k in range(6000)]
    (folder / "PDF, 6000 bars").write_bytes(
        pdf([" ".join(f"{x} {y} {w} 0.5 re" for x, y, w in places) + " f"], 210, 297)
    )
    bars = "".join(f'<rect x="{x}" y="{y}" width="{w}" height=".5"/>' for x, y, w in places)
    (folder / "SVG, 6000 bars").write_bytes(
        svg(bars, 'width="210mm" height="297mm"', 'viewBox="0 0 210 297"')
    )


def a4(shapes: int = 2500) -> None:
    """Print times and memory for A4 at 1200 dpi."""
    opening = (
        "import sys; from PIL import Image; Image.MAX_IMAGE_PIXELS = None; "
        "Image.open(sys.argv[1]).load()"
    )
    print(
        f"\nA4 at 1200 dpi, {shapes} shapes. Times: wall / processor, s, each with its start; "
        f"ratio of processor times"
    )
    print(
        f"{'':18}{'Pillow alone':>16}{'MB':>6}{'measured':>16}{'MB':>6}{'ratio':>8}"
        f"{'with preview':>16}{'MB':>6}"
    )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        run([sys.executable, "-m", "tests.proofs.benchmarks.artwork", "draw", name, str(shapes)])
        for path in sorted(folder.iterdir()):
            wall_s, cpu_s, peak_mb, output = measured(path)
            assert '"result"' in output, output[:300]
            line, ratio = f"{path.name:18}", ""
            if path.name.startswith(("PDF", "SVG")):
                line += " " * 22
            else:
                alone_s, alone_cpu_s, alone_mb, _ = run([sys.executable, "-c", opening, str(path)])
                line += f"{alone_s:8.2f} /{alone_cpu_s:6.2f}{alone_mb:6d}"
                ratio = f"{cpu_s / alone_cpu_s:.1f}"
            both = measured(path, with_preview=True)
            print(
                f"{line}{wall_s:8.2f} /{cpu_s:6.2f}{peak_mb:6d}{ratio:>8}{both[0]:8.2f} "
                f"/{both[1]:6.2f}{both[2]:6d}"
            )


def growth() -> None:
    """Print the time against the number of pixels of the measuring grid."""
    print("\nA4, the same drawing at rising resolution; and half and quarter sheets at 600 dpi")
    print(f"{'':24}{'Mpx of the grid':>18}{'processor s':>14}{'s per 10 Mpx':>14}")
    with tempfile.TemporaryDirectory() as folder:
        for dpi, part in ((100, 1), (150, 1), (300, 1), (600, 1), (600, 2), (600, 4)):
            width, height = (round(side * dpi / 1200 / part**0.5) for side in A4_PX_1200)
            path = Path(folder) / "a.png"
            shaded(artwork(width, height, 2500 // part)).save(path, "PNG", dpi=(dpi, dpi))
            _, cpu_s, _, output = measured(path)
            assert "result" in json.loads(output), output[:300]
            pixels = width * height / 1e6
            print(
                f"A4/{part} at {dpi} "
                f"dpi{'':10}{pixels:14.1f}{cpu_s:14.2f}{10 * cpu_s / pixels:14.2f}"
            )


if __name__ == "__main__":
    Image.MAX_IMAGE_PIXELS = None
    if sys.argv[1:2] == ["draw"]:
        draw_a4(Path(sys.argv[2]), int(sys.argv[3]))
    else:
        for part in sys.argv[1:] or ["accuracy", "a4", "growth"]:
            {"accuracy": accuracy, "a4": a4, "growth": growth}[part]()
