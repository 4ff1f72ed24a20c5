"""Labels of bundles read from a registry and printed, beside a bare code and QR code on each.

    python -m benchmarks.labels [--labels 1000 10000]

Half as many bundles as labels, a tenth of them tied from two others. Each way is a process of its
own:

* sheets: read, laid out and printed on A4, 14 a page.
* roll: the same, a page a label.
* pictures: the same as PNG files of 203 dots an inch.
* reportlab: its own QR code and the code beside it on such sheets, nothing else, the codes known
  beforehand.

CPU seconds, and the most memory held.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from scionreg.api import Registry
from scionreg.documents.labels.drawing import write_pdf, write_pictures
from scionreg.documents.labels.stock import SIZES, plain, single
from scionreg.documents.pdf import MM, PAPERS, new_pdf

SIZE = SIZES["bundle"]
STICKS = 30


def nursery(where: Path, bundles: int) -> None:
    """Make a registry with so many bundles, every tenth tied from the two before it."""
    with Registry.new(where, by="P01") as registry:
        make: list[tuple[str, dict[str, object]]] = [
            ("people", {"person": "P01"}),
            ("stores", {"store": "S-1", "kind": "cooler"}),
        ]
        for number in range(40):
            name = f"Invented {number:02}"
            make.append(("cultivars", {"cultivar": name, "species": "Carya illinoinensis"}))
            make.append(("mother_trees", {"tree": f"PB-{number}", "cultivar": name}))
        registry.record_all(make)
        folder = where.parent / "season"
        folder.mkdir()
        packed = "2026-02-10,P01,S-1"
        cut, tied, parents = [], [], []
        for at in range(bundles):
            if at % 10 == 9:
                tied.append(f"B-{at},,{STICKS},counted,{packed}")
                parents += [f"B-{at},B-{before},{STICKS // 2}" for before in (at - 1, at - 2)]
            else:
                cut.append(f"C-{at},PB-{at % 40},2026-02-09,P01,{STICKS},counted")
                tied.append(f"B-{at},C-{at},{STICKS},counted,{packed}")
        for name, head, lines in (
            ("collections", "collection,tree,date,cutter,sticks,count", cut),
            ("bundles", "bundle,collection,sticks,count,packed,packer,store", tied),
            ("bundle_parents", "bundle,parent,sticks", parents),
        ):
            (folder / f"{name}.csv").write_text("\n".join([head, *lines]) + "\n")
        registry.import_files(folder)


def ours(write: Callable[[Registry, Path], None]) -> Callable[[Path, Path, int], None]:
    def way(where: Path, into: Path, _number: int) -> None:
        with Registry.open(where) as registry:
            write(registry, into)

    return way


def sheets(registry: Registry, into: Path) -> None:
    made = registry.labels(every="bundles").labels
    write_pdf(made, into.with_suffix(".pdf"), plain(PAPERS["A4"], SIZE))


def roll(registry: Registry, into: Path) -> None:
    write_pdf(registry.labels(every="bundles").labels, into.with_suffix(".pdf"), single(SIZE))


def pictures(registry: Registry, into: Path) -> None:
    write_pictures(registry.labels(every="bundles").labels, into, SIZE)


def bare(_where: Path, into: Path, number: int) -> None:
    from reportlab.graphics.barcode.qr import QrCodeWidget
    from reportlab.graphics.renderPDF import draw
    from reportlab.graphics.shapes import Drawing

    stock = plain(PAPERS["A4"], SIZE)
    places = list(stock.places())
    with new_pdf(into.with_suffix(".pdf"), stock.paper, title="bare") as canvas:
        for at in range(number):
            if at and at % stock.number == 0:
                canvas.showPage()
            x, y = (each * MM for each in places[at % stock.number])
            y = stock.paper[1] * MM - y - SIZE[1] * MM
            code = f"B-{at // 2}"
            drawing = Drawing(40, 40)
            drawing.add(QrCodeWidget(code, barWidth=40, barHeight=40, barLevel="H"))
            draw(drawing, canvas, x, y)
            canvas.drawString(x + 50, y + 20, code)


WAYS: dict[str, Callable[[Path, Path, int], None]] = {
    "sheets": ours(sheets),
    "roll": ours(roll),
    "pictures": ours(pictures),
    "reportlab": bare,
}


def apart(way: str, where: Path, number: int) -> list[float]:
    """Do one of the ways in a process of its own; return CPU seconds and MB."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "benchmarks.labels", "--way", way, "--into", folder]
        command += ["--registry", str(where), "--labels", str(number)]
        done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
    taken: list[float] = json.loads(done.stdout)
    return taken


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="benchmarks.labels", description=__doc__)
    parser.add_argument("--labels", type=int, nargs="+", default=[1_000, 10_000])
    parser.add_argument("--way", help=argparse.SUPPRESS)
    parser.add_argument("--registry", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--into", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if asked.way:
        began = time.process_time()
        WAYS[asked.way](asked.registry, asked.into / "labels", asked.labels[0])
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(json.dumps([time.process_time() - began, peak]))
        return
    print(f"{'labels':>10} {'way':12}{'CPU s':>8}{'MB':>8}")
    for number in asked.labels:
        with tempfile.TemporaryDirectory() as folder:
            where = Path(folder) / "registry.db"
            nursery(where, number // 2)
            for way in WAYS:
                cpu, peak = apart(way, where, number)
                print(f"{number:>10,} {way:12}{cpu:>8.2f}{peak:>8.0f}")


if __name__ == "__main__":
    main()
