"""The demo: an invented nursery, and a customer's wrong tree followed to its source."""

from importlib.resources import as_file
from pathlib import Path
from shutil import copytree
from typing import TYPE_CHECKING, Any

from scionreg import new_registry
from scionreg.cli import console
from scionreg.cli.map import write_pages
from scionreg.cli.telling import tell_balance, tell_recall, tell_trace
from scionreg.cli.telling_off_type import tell_in_short
from scionreg.cli.telling_why import tell_why
from scionreg.records.errors import RegistryError
from scionreg.resources import resource

if TYPE_CHECKING:
    from scionreg.api import Registry

RECORDER = "P01"
WRONG_TREE = "G24-0029-6/6"
"""The customer's tree of the demo's first story."""
LEFTOVERS = "B25-0132-7"
"""The bundle of its second."""
POOR_LOTS = ("G25-0253-7", "G25-0256-8", "G25-0335-6", "G25-0342-7")
"""Lots of its third."""

SUSPECT = "C24-0047-1"
"""The cutting of its first story."""
STORY_TREES = ("T24-0047-1", "T24-0048-3", "T25-0001-9", "Old-7")
"""Mother trees that the stories are about."""
WALKED = ("T24-0043-9", "T24-0045-2", "T24-0047-1", "T24-0001-5", "Old-1", "Old-8")
"""Trees of a morning's walk."""
WALK_ENDS = dict.fromkeys(("start", "finish"), (36.4191, -95.7703))
"""Where it sets out from, and ends."""


def walk(folder: Path) -> None:
    """Load the demo into a new folder and show the main job with it."""
    registry = _load(folder)
    with registry:
        _say(
            "1. A customer's tree bears fruit that is not its label's. "
            f"It stood at position {WRONG_TREE.partition('/')[2]} of a graft lot. "
            "Where did its wood come from?"
        )
        console.command("$ ", "trace", WRONG_TREE, to=console.data)
        traced = registry.trace(WRONG_TREE)
        tell_trace(traced, registry.settings.zone)
        source = traced.sources[0]
        _say(
            f"On paper every link is certain: one lot, bundle and cutting, tree {source.tree}. "
            "The checks say otherwise: every tree looked at in the lot is another cultivar, while "
            f"{source.tree} itself is true. So the fault lies between the tree and the lot. Which "
            "step failed, and how sure is that?"
        )
        console.command("$ ", "offtype", WRONG_TREE, to=console.data)
        tell_in_short(registry.off_type(WRONG_TREE))
        _say("Whatever came of that cutting may share the fault:")
        console.command("$ ", "recall", SUSPECT, to=console.data)
        tell_recall(registry.recall(SUSPECT))
        _say(
            "2. Does what was used fit what was cut? Where more was used than was there, wood from "
            "elsewhere came in:"
        )
        console.command("$ ", "balance", "--per", "bundle", "--alarms", to=console.data)
        tell_balance(registry.balance(scope="bundle", alarms_only=True))
        _say(
            "3. Four lots took poorly in 2025. Was it the wood, a hand, the rootstock, the "
            "weather, or can nobody tell?"
        )
        console.command("$ ", "take", "--why", *POOR_LOTS, to=console.data)
        with console.progress("weighing") as progress:
            tell_why(registry.why(*POOR_LOTS, progress=progress))
        _say("4. Where is all this? Maps that open in any browser, without a network:")
        _draw_maps(registry, folder / "maps")
    _say(
        f"The registry is {folder / 'registry.db'}; all codes, people and places are invented. "
        f"{folder / 'season' / 'README.md'} tells what else is hidden in it. Try:"
    )
    for words in (
        f"match {WRONG_TREE}",
        f"trace {LEFTOVERS}",
        f"offtype {WRONG_TREE} --picture chain.png --page page.html",
        f"trace {WRONG_TREE} --sheet trace.pdf",
        "report 2025 --into season-2025.html",
        "take --by mother_tree",
        "store --store S24-0002-8 --from 2025-04-25 --to 2025-04-28",
        "audit",
    ):
        where = ("--registry", str(folder / "registry.db"))
        console.command("  ", *words.split(), *where, to=console.data)


def _load(folder: Path) -> "Registry":
    """Copy the season folder out and import it into a new registry."""
    if folder.exists() and any(folder.iterdir()):
        raise RegistryError(f"{folder} is not empty; name a new folder: scionreg demo FOLDER")
    folder.mkdir(parents=True, exist_ok=True)
    with as_file(resource("demo_registry")) as season:
        copytree(season, folder / "season")
    registry = new_registry(folder / "registry.db", by=RECORDER)
    with console.progress("loading the demo") as progress:
        done = registry.import_files(folder / "season", recorder=RECORDER, progress=progress)
    console.talk(
        f"loaded an invented nursery: {sum(done.recorded.values()):,} records of three seasons"
    )
    return registry


def _draw_maps(registry: "Registry", folder: Path) -> None:
    """Leave a map of each kind in a folder, and pages of the trees that the stories are about."""
    from scionreg.cartography.page import write_page
    from scionreg.map_pages import file_of

    folder.mkdir()
    links = write_pages(registry, folder, trees=STORY_TREES)
    drawn: tuple[tuple[str, tuple[str, ...], dict[str, Any], str], ...] = (
        ("mother-trees", (), {"links": links}, "every mother tree, and what is known of it"),
        ("trace", (WRONG_TREE,), {}, "from the customer's tree to the tree it was cut from"),
        ("recall", (SUSPECT,), {}, "what else shares that cutting"),
        ("walk", WALKED, WALK_ENDS, "trees in walking order, and neighbours not to cut"),
        ("confusion", (), {}, "trees that may be taken for each other"),
        ("rows-by-take", (), {"season": 2025}, "how the rows of 2025 took"),
        ("rows-by-identity", (), {}, "what was looked at in the rows"),
    )
    for what, codes, options, says in drawn:
        file = folder / file_of(what, codes[0] if len(codes) == 1 else "")
        write_page(registry.map_page(what, *codes, **options), file)
        console.data(f"  {file}: {says}")


def _say(text: str) -> None:
    """Tell the reader something, in lines that fit a terminal."""
    console.data("")
    console.paragraph(text, width=88)
