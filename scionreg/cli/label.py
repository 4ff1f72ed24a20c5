"""The command that prints labels."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import Csv, Json, Where, WordsFile, one_asked, opened
from scionreg.records.counting import many
from scionreg.records.errors import RegistryError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from scionreg.api import Registry
    from scionreg.documents.labels.stock import Stock
    from scionreg.labelling import Labels
    from scionreg.records.words import Words

ROLL = "roll"


def label(
    codes: Annotated[
        list[str] | None,
        typer.Argument(
            help="A mother tree, bundle, collection, graft lot, lot/position, dispatch, store, "
            "rootstock lot, or place (block/row/position); any number of them."
        ),
    ] = None,
    every: Annotated[
        str, typer.Option("--all", help="Label all of a record kind, such as bundles.")
    ] = "",
    season: Annotated[int | None, typer.Option(help="With --all: only those of a season.")] = None,
    trees: Annotated[
        bool, typer.Option("--trees", help="A label for each tree of a lot, not a row stake.")
    ] = False,
    reserved: Annotated[
        str,
        typer.Option(help="Blank labels for the codes reserved for this person and not yet used."),
    ] = "",
    kind: Annotated[
        str, typer.Option(help="With --reserved: only codes of a record kind, such as bundles.")
    ] = "",
    into: Annotated[
        str,
        typer.Option(help="A PDF file; or a new folder, for a PNG file a label."),
    ] = "",
    size: Annotated[
        str,
        typer.Option(
            help="Width x height, as in 70x37 (mm) or 3x1.5in, or tag, wood, bundle, stake, tree, "
            "box, rootstock; else what is usual for the label."
        ),
    ] = "",
    paper: Annotated[
        str,
        typer.Option(help="A4, Letter, width x height, or roll: a page a label; else as units go."),
    ] = "",
    rows: Annotated[int | None, typer.Option(help="Rows of labels on a sheet.")] = None,
    columns: Annotated[int | None, typer.Option(help="Columns of labels on a sheet.")] = None,
    margins: Annotated[
        str, typer.Option(help="Top and left margin of a sheet in mm, as in 13,7.5.")
    ] = "0",
    gaps: Annotated[
        str, typer.Option(help="Room between rows and between columns in mm, as in 0,2.5.")
    ] = "0",
    start: Annotated[
        int, typer.Option(help="First label of the first sheet that is not used up.")
    ] = 1,
    dpi: Annotated[int, typer.Option(help="Dots an inch of PNG files, as the printer has.")] = 203,
    words: WordsFile = None,
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Print labels: tags, bundle labels, row stakes, tree labels, store boxes, and blanks.

    A bundle gets two labels, for inside and outside. Kinds that differ in size go into a file each.
    What is not recorded and has to be on a label becomes a line to write on. Everything is as large
    as it fits; a label whose code could not be read at arm's length is refused. With --rows and
    --columns it prints on sheets of labels, else on plain paper with lines to cut along.

    Examples: scionreg label B26-0001-7 B26-0002-5 --into labels.pdf; scionreg label --all bundles
    --season 2026 --into labels.pdf --rows 7 --columns 2 --margins 8,6; scionreg label
    --reserved P03 --into blanks.pdf; scionreg label G26-0001-7 --trees --into tags --dpi 300
    """
    if Path(into).suffix.lower() not in ("", ".pdf") or not (into or json or csv):
        raise RegistryError(
            "where are the labels to go? name a PDF file, as in --into labels.pdf, or a new folder "
            "for PNG files"
        )
    with opened(registry) as opened_registry:
        named = [one_asked(opened_registry, each) for each in codes or ()]
        found = _found(
            opened_registry, named, every, season, reserved, kind, trees=trees, words=words
        )
        units = opened_registry.settings.units
    if into:
        apart = not (size or rows or columns)
        for some, file in _by_size(found, into) if apart else [(found, into)]:
            stock = _stock(some, units, file, size, paper, rows, columns, margins, gaps)
            _write(some, file, stock, start, dpi, units)
    if json:
        console.as_json(found.to_dict())
    elif csv:
        console.as_csv(found.to_rows())
    for caution in found.cautions:
        console.talk(caution)


def _found(
    registry: "Registry",
    codes: list[str],
    every: str,
    season: int | None,
    reserved: str,
    kind: str,
    *,
    trees: bool,
    words: Path | None,
) -> "Labels":
    from scionreg.exchange.headers import kind_named
    from scionreg.records.words import read_words

    said: Words = read_words(words)
    if reserved:
        if codes or every:
            raise RegistryError("blanks are printed apart; leave --reserved or the codes out")
        return registry.blank_labels(reserved, kind=kind_named(kind) or kind, words=said)
    if not codes and not every:
        raise RegistryError("what is to be labelled? name codes, --all KIND or --reserved PERSON")
    return registry.labels(
        *codes, every=kind_named(every) or every, season=season, trees=trees, words=said
    )


def _by_size(found: "Labels", into: str) -> "Iterator[tuple[Labels, str]]":
    """Yield labels with the file they go into: one a size where kinds differ in their usual one."""
    from scionreg.documents.labels import stock

    sizes = dict.fromkeys(stock.SIZES[kind.value] for kind in found.kinds())
    if len(sizes) < 2:
        yield found, into
        return
    for size in sizes:
        some = tuple(each for each in found.labels if stock.SIZES[each.kind.value] == size)
        part = replace(found, labels=some)
        kinds = "-".join(kind.value for kind in part.kinds())
        path = Path(into)
        yield part, str(path.with_name(f"{path.stem}-{kinds}{path.suffix}"))


def _stock(
    found: "Labels",
    units: str,
    into: str,
    size: str,
    paper: str,
    rows: int | None,
    columns: int | None,
    margins: str,
    gaps: str,
) -> "Stock":
    """Return what is printed on: a roll, sheets of labels, or plain paper."""
    from scionreg.documents.labels import stock
    from scionreg.documents.pdf import usual_paper

    wanted = stock.read_size(size) if size else None
    if (rows is None) != (columns is None):
        raise RegistryError("a sheet of labels has --rows and --columns; name both")
    if rows is not None and columns is not None:
        return stock.sheet(
            stock.read_paper(paper or usual_paper(units)),
            rows=rows,
            columns=columns,
            margins=stock.read_pair(margins, "margins"),
            gaps=stock.read_pair(gaps, "gaps"),
            label=wanted,
        )
    if wanted is None:
        (wanted,) = {stock.SIZES[kind.value] for kind in found.kinds()}
    if paper.lower() == ROLL or _is_folder(into):
        return stock.single(wanted)
    return stock.plain(stock.read_paper(paper or usual_paper(units)), wanted)


def _is_folder(into: str) -> bool:
    return Path(into).suffix == ""


def _write(found: "Labels", into: str, stock: "Stock", start: int, dpi: int, units: str) -> None:
    from scionreg.documents.labels.drawing import unknown_letters, write_pdf, write_pictures
    from scionreg.documents.labels.stock import shown

    number = len(found.labels)
    with console.progress("drawing") as progress:
        if _is_folder(into):
            left_out = write_pictures(found.labels, into, stock.label, dpi=dpi, progress=progress)
            sheets = ""
        else:
            left_out = write_pdf(
                found.labels, into, stock, start=start, title="Labels", progress=progress
            )
            pages = -(-(number + start - 1) // stock.number)
            sheets = f" on {many(pages, 'page')}"
    each = shown(stock.label, units)
    console.talk(f"{many(number, 'label')} of {each}{sheets}: {into}")
    if left_out:
        console.talk(f"left out where there was no room: {', '.join(left_out)}")
    console.lacking(unknown_letters(found.labels))
