"""The README of the demo folder, with the codes that the stories ended up with."""

import textwrap

from scionreg.demo_nursery import stories
from scionreg.demo_nursery.places import PECAN
from scionreg.demo_nursery.stories import poor_week, warmed_cooler
from scionreg.demo_nursery.things import Lot, Nursery


def readme(nursery: Nursery) -> str:
    """Return the README's text."""
    codes = nursery.tales.codes | _take_stories(nursery) | _sizes(nursery)
    return _filled(TEXT.format_map(codes))


def _filled(text: str) -> str:
    """Break the lines of paragraphs and list items anew, since codes made them longer."""
    blocks = text.rstrip().split("\n\n")
    return "\n\n".join(block if block[0] in "# " else _fill(block) for block in blocks) + "\n"


def _fill(block: str) -> str:
    items = block.split("\n* ")
    return "\n".join(
        textwrap.fill(
            ("* " if number else "") + " ".join(item.split()),
            100,
            subsequent_indent="  " if block.startswith("* ") else "",
            break_long_words=False,
            break_on_hyphens=False,
        )
        for number, item in enumerate(items)
    )


def _take_stories(nursery: Nursery) -> dict[str, str]:
    """Return what the README says about the stories that show in take."""
    lots = [lot for lot in nursery.lots if lot.entry["date"]]
    warm = [lot for lot in lots if warmed_cooler(nursery, lot.bundle, lot.date)]
    poor = [lot for lot in lots if poor_week(lot.grafter, lot.date)]
    tree = [lot for lot in lots if _is_from(lot, stories.OVER_CUT)]
    mates = [
        lot
        for lot in lots
        if lot.cultivar == nursery.tree(stories.OVER_CUT).cultivar and lot not in tree
    ]
    field = [
        lot
        for lot in lots
        if lot.bundle.species == PECAN
        and stories.POOR_WEEK[0] <= lot.date <= stories.POOR_WEEK[1]
        and lot not in poor
    ]
    cold = [
        lot
        for lot in lots
        if lot.season == warm[0].season
        and lot.date >= stories.WARM_TO.date()
        and lot.bundle.species == PECAN
        and lot not in warm
    ]
    worst = sorted(warm, key=lambda lot: lot.early / lot.grafts)[:4]
    return {
        "warm_store": nursery.stores[stories.WARM_STORE],
        "warm_lots": str(len(warm)),
        "warm_bundles": str(len({lot.bundle.code for lot in warm})),
        "worst_warm": ", ".join(lot.code for lot in worst),
        "why_warm": " ".join(lot.code for lot in worst),
        "warm_take": _take(warm),
        "cold_take": _take(cold),
        "why_poor": " ".join(lot.code for lot in poor),
        "poor_lots": ", ".join(lot.code for lot in poor),
        "poor_first": poor[0].code,
        "poor_take": _take(poor),
        "poor_others": _take(field),
        "over_cut": stories.OVER_CUT,
        "over_cut_lots": ", ".join(lot.code for lot in tree),
        "over_cut_take": _take(tree),
        "over_cut_mates": _take(mates),
    }


def _is_from(lot: Lot, tree: str) -> bool:
    return lot.bundle.tree is not None and lot.bundle.tree.code == tree


def _take(lots: list[Lot]) -> str:
    """Return the share of grafts growing in early summer, as a percentage."""
    return f"{100 * sum(lot.early for lot in lots) / sum(lot.grafts for lot in lots):.0f} %"


def _sizes(nursery: Nursery) -> dict[str, str]:
    """Return how much of each kind there is."""
    rows = nursery.books.rows
    return {f"n_{kind}": f"{len(rows[kind]):,}" for kind in rows} | {
        "n_grafts": f"{sum(lot.grafts for lot in nursery.lots):,}"
    }


TEXT = """\
# An invented nursery

A season folder: one CSV file per record kind, `blocks.geojson` with the outlines of the blocks and
`datapackage.json`. It holds three seasons (spring grafts of 2024, 2025 and 2026) of a nursery that
does not exist. The species are real; the cultivars, rootstock clones, people, customers, suppliers,
laboratories, marker profiles and the place are invented, and so is every number. No finding here
says anything about a real plant.

{n_mother_trees} mother trees, {n_collections} collections, {n_bundles} bundles, {n_graft_lots}
graft lots ({n_grafts} grafts), {n_take_counts} counts, {n_store_readings} store readings.

`scionreg demo` copies the folder and loads it. It is written by
`python -m scionreg.demo_nursery demo_registry`, always the same bytes; what each story does is in
`scionreg/demo_nursery/stories.py`.

As in any book there are gaps: cutters nobody wrote down, two collections and two graft lots without
a date, counts that do not say whether they were counted, lots without a row, a tree under an alias,
a logger that stood still for a fortnight. Bench grafts are booked under the row they were lined out
in.

## Six stories

### 1. The wrong tree was cut

Way in: customer {wrong_customer} bought trees labelled Tillowby in November 2024 (dispatch
`{wrong_dispatch}`). In August 2026 one of them, **`{wrong_tree}`**, carried fruit that was not
Tillowby's; its marker profile is that of Pendrake.

    scionreg match {wrong_tree}
    scionreg trace {wrong_tree}
    scionreg offtype {wrong_tree}
    scionreg recall {wrong_collection}
    scionreg status {wrong_claimed}

The wood came from collection `{wrong_collection}`, by the book from tree `{wrong_claimed}`, the
last Tillowby of its row. That tree is a Tillowby, and wood cut from it in another winter is true.
But the cutter's fix lies beside `{wrong_cut}`, the first Pendrake, 1.5 m on. Every bundle of the
collection ({wrong_bundles}) is Pendrake, in lots {wrong_lots}; they left with
dispatches {wrong_dispatches}.

### 2. More grafted than cut

Way in: bundle **`{rebundle}`** was tied from the leftovers of {rebundle_parents},
{rebundle_sticks} sticks of Tarnwick; {rebundle_grafted} grafts were made of it
({rebundle_lots}).

    scionreg balance {rebundle}
    scionreg trace {rebundle_tree}
    scionreg offtype {rebundle_tree}

Used more than there was: wood from elsewhere came in. Part of both lots turned out to be Quarrow.
Bundle `{stray}` of Quarrow lay in a cooler too, and at the end of the season it had
{stray_missing} sticks fewer than its book says.

    scionreg balance {stray}

### 3. A cooler that warmed

Way in: lots {worst_warm} of 2025 took poorly.

    scionreg take --why {why_warm}
    scionreg store --store {warm_store} --from 2025-04-25 --to 2025-04-28

Cooler `{warm_store}` stood still from 25 to 28 April 2025. {warm_lots} lots of {warm_bundles}
bundles that lay in it were grafted afterwards and took {warm_take}; wood from the other coolers
grafted in the same weeks took {cold_take}.

### 4. A tree cut too hard

Way in: mother tree **`{over_cut}`**, an old Brellan in the grove, gave 58, 66 and 75 % of its
shoots in three winters running. The shoots got shorter (71, 52, 37 cm) and the sticks fewer.

    scionreg take --by mother_tree
    scionreg list collections --where tree={over_cut}

Its lots ({over_cut_lots}) took {over_cut_take}, those of its cultivar mates {over_cut_mates}.

### 5. A poor week

Way in: the lots that P07 grafted from 4 to 8 May 2026: {poor_lots}.

    scionreg take --why {why_poor}
    scionreg list take_counts --where graft_lot={poor_first}

They took {poor_take}, whichever bundle the wood came from; the others' field grafts of that week
{poor_others}, often from the same bundles, and P07's other weeks are as good as anybody's.

### 6. Two dispatches exchanged

Way in: dispatches **`{exchanged_a}`** ({exchanged_cultivar_a} from lot `{exchanged_lot_a}` to
{exchanged_customer_a}) and **`{exchanged_b}`** ({exchanged_cultivar_b} from lot
`{exchanged_lot_b}` to
{exchanged_customer_b}) left on 18 November 2025. In summer 2026 each customer found the other's
cultivar in every tree.

    scionreg trace {exchanged_a}
    scionreg offtype {exchanged_a}
    scionreg recall {exchanged_lot_a}

Both lots were looked at in the row before the trees were dug, and were true: the fault lies after
the row.

## Also to be found

* `{own_tree}` is a mother tree grown here, from `{own_tree_from}`; its wood was grafted in 2026, so
  chains cross generations: `scionreg trace {own_tree}`.
* `{sprout}` is a rootstock that grew in place of its scion: its profile has an allele of the
  rootstock lot's seed parent at every locus: `scionreg match {sprout}`.
* Tillowby Red is a bud mutation of Tillowby: no marker tells them apart. Pendrake is triploid.
* LAB-B reads fragment lengths a constant number of base pairs off LAB-A's, its own at each locus;
  `scionreg match` lines them up.
"""
