"""The record kinds as tables: one class a kind, one line a column.

Every column carries its cell type, its definition and whether it must be filled, so that reading,
writing, templates, the data package, the data-model page and the commands all come from here.

Codes are the keys and the references. `id` is the order in which rows came in and `entry` the
journal line that wrote the row as it now is.
"""

import datetime as dt
from typing import Any

from sqlalchemy import (
    Column,
    Index,
    Table,
    Text,
    func,
    literal_column,
    text,
)
from sqlalchemy.orm import Mapped, mapped_column

from scionreg.records.cells import (
    Cell,
    Choice,
    Code,
    CultivarName,
    Day,
    Many,
    Moment,
    Name,
    Number,
    Outline,
    Positions,
    Ref,
    Whole,
    YearOrMonth,
    YesNo,
)
from scionreg.records.columns import OpenWord, Record, code, field, refers
from scionreg.records.names import Epithet, PersonCode
from scionreg.records.vocabulary import (
    BlockKind,
    BundleEventKind,
    CheckMethod,
    Condition,
    Counting,
    FixMethod,
    GraftMethod,
    HoldEvent,
    Rights,
    Role,
    Side,
    StoreKind,
    TreeEventKind,
    TreeKind,
    TreeStatus,
)

LATITUDE = Number(-90, 90, "degrees", "off_the_globe")
LONGITUDE = Number(-180, 180, "degrees", "off_the_globe")
METRES = Number(0, 100_000, "m")
SHARE = Number(0, 1, "", "share_out_of_range")
BUD_STAGES = ("tight", "swollen", "scales split", "green tip")


class Cultivar(Record):
    """A named clone, with its other names and the rights claimed for it."""

    __tablename__ = "cultivars"
    KEY = ("cultivar",)
    cultivar: Mapped[str] = field(
        Epithet(), "name of the cultivar, without quotes", required=True, unique=True
    )
    species: Mapped[str] = field(Cell(), "botanical name of the species", required=True)
    aliases: Mapped[str | None] = field(Many(), "other names in use")
    rights: Mapped[Rights | None] = field(Choice(Rights), "legal protection claimed")
    rights_no: Mapped[str | None] = field(Cell(), "number of the right, as claimed")
    rights_until: Mapped[dt.date | None] = field(Day(), "day the right ends, as claimed")
    licence_no: Mapped[str | None] = field(Cell(), "number of the nursery's licence")
    cannot_tell_from: Mapped[str | None] = field(
        Many(), "cultivars that no marker separates it from"
    )
    notes: Mapped[str | None] = field(Cell(), "anything else")


class Person(Record):
    """Somebody who works in the chain, by a code."""

    __tablename__ = "people"
    KEY = ("person",)
    person: Mapped[str] = field(PersonCode(), "code of the person", required=True, unique=True)
    roles: Mapped[str | None] = field(Many(Role, "role"), "what the person does")
    mark: Mapped[str | None] = field(Cell(), "colour or sign the person leaves")
    notes: Mapped[str | None] = field(Cell(), "anything else", since="0005")


class Block(Record):
    """A mapped piece of ground, or a bench."""

    __tablename__ = "blocks"
    KEY = ("block",)
    block: Mapped[str] = code("blocks", "code of the block")
    kind: Mapped[BlockKind | None] = field(Choice(BlockKind), "what it is for")
    row_spacing_m: Mapped[float | None] = field(METRES, "distance between rows, m")
    tree_spacing_m: Mapped[float | None] = field(METRES, "distance between positions, m")
    counted_from: Mapped[Side | None] = field(Choice(Side), "end that positions are counted from")
    notes: Mapped[str | None] = field(Cell(), "anything else", since="0005")
    outline: Mapped[str | None] = mapped_column(
        info={"cell": Outline(), "doc": "outline, in blocks.geojson", "apart": True}
    )


class MotherTree(Record):
    """One physical tree that wood is cut from."""

    __tablename__ = "mother_trees"
    KEY = ("tree",)
    tree: Mapped[str] = code("mother_trees", "code of the tree")
    cultivar: Mapped[str] = field(
        CultivarName(), "cultivar it is taken for", required=True, index=True
    )
    kind: Mapped[TreeKind | None] = field(Choice(TreeKind), "how it is kept")
    block: Mapped[str | None] = refers("blocks.block", "block it stands in")
    row: Mapped[int | None] = field(Whole(1), "row in the block")
    position: Mapped[int | None] = field(Whole(1), "place in the row; gaps count")
    latitude: Mapped[float | None] = field(LATITUDE, "degrees north, WGS 84")
    longitude: Mapped[float | None] = field(LONGITUDE, "degrees east, WGS 84")
    accuracy_m: Mapped[float | None] = field(METRES, "radius that holds the tree at 68 %, m")
    fix_method: Mapped[FixMethod | None] = field(Choice(FixMethod), "how the fix was made")
    planted: Mapped[dt.date | None] = field(Day("planted_in"), "day it was planted")
    planted_in: Mapped[str | None] = field(
        YearOrMonth(), "year or month it was planted, where the day is not known", since="0005"
    )
    rank: Mapped[str | None] = field(Cell(), "rank in a scheme, scheme and word as written")
    graft_lot: Mapped[str | None] = refers(
        "graft_lots.graft_lot", "graft lot it was grown from here", index=True
    )
    graft_position: Mapped[int | None] = field(Whole(1), "its position in that graft lot")
    received_from: Mapped[str | None] = field(Cell(), "who it came from, when not grown here")
    rootstock: Mapped[str | None] = field(Cell(), "rootstock it stands on")
    sticks_per_year: Mapped[int | None] = field(Whole(0), "sticks expected in a winter")
    status: Mapped[TreeStatus | None] = field(Choice(TreeStatus), "whether it may be cut")
    location_private: Mapped[bool | None] = field(YesNo(), "keep its place off maps and papers")
    notes: Mapped[str | None] = field(Cell(), "anything else")
    __table_args__ = (Index("ix_mother_trees_place", "block", "row", "position"),)


class Permission(Record):
    """What the owner of a tree or block allows the nursery to cut there."""

    __tablename__ = "permissions"
    KEY = ("permission",)
    permission: Mapped[str] = code("permissions", "code of the permission")
    host: Mapped[str] = field(Name(), "code of the owner", required=True)
    tree: Mapped[str | None] = refers("mother_trees.tree", "tree it is for", index=True)
    block: Mapped[str | None] = refers("blocks.block", "block it is for, with all its trees")
    valid_from: Mapped[dt.date | None] = field(Day(), "first day one may cut")
    valid_until: Mapped[dt.date | None] = field(Day(), "last day one may cut")
    most_sticks: Mapped[int | None] = field(Whole(0), "most sticks in a season, of all its trees")
    notice_days: Mapped[int | None] = field(Whole(0, 1000), "days of notice to give before")
    notes: Mapped[str | None] = field(Cell(), "anything else")


class TreeEvent(Record):
    """Something that happened to a mother tree."""

    __tablename__ = "tree_events"
    KEY = ("tree", "date", "event", "limb")
    tree: Mapped[str] = refers("mother_trees.tree", "the tree", required=True)
    date: Mapped[dt.date | None] = field(Day("happened_in"), "day it happened")
    happened_in: Mapped[str | None] = field(
        YearOrMonth(),
        "year or month it happened, where the day is not known",
        since="0005",
        desk=True,
    )
    event: Mapped[TreeEventKind] = field(Choice(TreeEventKind), "what happened", required=True)
    limb: Mapped[str | None] = field(Name(), "limb, when only that one")
    detail: Mapped[str | None] = field(Cell(), "what exactly")
    notes: Mapped[str | None] = field(Cell(), "anything else", since="0005")


class IdentityCheck(Record):
    """Dated evidence about what a tree, bundle, lot or single position is."""

    __tablename__ = "identity_checks"
    KEY = ("check",)
    check: Mapped[str] = code("identity_checks", "code of the check")
    item: Mapped[str] = field(
        Ref(("mother_trees", "collections", "bundles", "graft_lots", "dispatches"), single=True),
        "what was looked at",
        required=True,
        index=True,
    )
    limb: Mapped[str | None] = field(Name(), "limb of the tree")
    positions_checked: Mapped[str | None] = field(Positions(), "positions looked at")
    positions: Mapped[str | None] = field(Positions(), "positions found off")
    date: Mapped[dt.date | None] = field(Day(), "day of the look")
    method: Mapped[CheckMethod] = field(Choice(CheckMethod), "how it was looked at", required=True)
    checked: Mapped[int] = field(Whole(0), "plants looked at", required=True)
    off: Mapped[int] = field(Whole(0), "plants not true to the label", required=True)
    found: Mapped[str | None] = field(CultivarName(or_found=True), "what the off ones are")
    by: Mapped[str | None] = refers("people.person", "who looked")
    reference: Mapped[str | None] = field(Cell(), "report number, or 'same trees as K…'")
    notes: Mapped[str | None] = field(Cell(), "anything else", since="0005")


class Genotype(Record):
    """One locus of a marker profile."""

    __tablename__ = "genotypes"
    KEY = ("sample", "locus")
    sample: Mapped[str] = field(Name(), "laboratory's name of the sample", required=True)
    item: Mapped[str | None] = field(
        Ref(("mother_trees", "bundles", "graft_lots", "rootstock_lots"), single=True),
        "what was sampled",
    )
    cultivar: Mapped[str | None] = field(CultivarName(), "cultivar of a reference profile")
    laboratory: Mapped[str | None] = field(Cell(), "who measured it")
    locus: Mapped[str] = field(Name(), "name of the locus", required=True)
    allele_1: Mapped[int | None] = field(Whole(1, 5000), "fragment length, base pairs")
    allele_2: Mapped[int | None] = field(Whole(1, 5000), "fragment length, base pairs")
    allele_3: Mapped[int | None] = field(Whole(1, 5000), "fragment length, base pairs")
    notes: Mapped[str | None] = field(Cell(), "anything else", since="0005")


class Collection(Record):
    """One cutting: one tree (and limb), one date, one cutter."""

    __tablename__ = "collections"
    KEY = ("collection",)
    collection: Mapped[str] = code("collections", "code of the collection")
    tree: Mapped[str] = refers("mother_trees.tree", "tree that was cut", required=True, index=True)
    limb: Mapped[str | None] = field(Name(), "limb that was cut")
    date: Mapped[dt.date | None] = field(Day("cut_in"), "day of the cutting", index=True)
    cut_in: Mapped[str | None] = field(
        YearOrMonth(),
        "year or month of the cutting, where the day is not known",
        since="0005",
        desk=True,
    )
    cutter: Mapped[str | None] = refers("people.person", "who cut")
    shoots: Mapped[int | None] = field(Whole(), "one-year shoots taken")
    sticks: Mapped[int] = field(Whole(counting=True), "sticks made of them", required=True)
    count: Mapped[Counting | None] = field(Choice(Counting), "counted or estimated")
    share_cut: Mapped[float | None] = field(SHARE, "share of the tree's one-year shoots taken")
    shoot_length_cm: Mapped[float | None] = field(
        Number(0, 1000, "cm"), "mean length of the shoots, cm"
    )
    bud_stage: Mapped[int | None] = field(
        Whole(0, 3, named=BUD_STAGES), "0 tight, 1 swollen, 2 scales split, 3 green tip"
    )
    in_leaf: Mapped[bool | None] = field(YesNo(), "cut while in leaf")
    tools_cleaned: Mapped[bool | None] = field(YesNo(), "tools cleaned before this tree")
    order_in_day: Mapped[int | None] = field(Whole(1, 10_000), "turn in the cutter's day")
    latitude: Mapped[float | None] = field(LATITUDE, "where the cutter stood, degrees north")
    longitude: Mapped[float | None] = field(LONGITUDE, "where the cutter stood, degrees east")
    accuracy_m: Mapped[float | None] = field(METRES, "radius that holds the fix at 68 %, m")
    notes: Mapped[str | None] = field(Cell(), "anything else", since="0005")


class Bundle(Record):
    """Sticks tied under one label."""

    __tablename__ = "bundles"
    KEY = ("bundle",)
    bundle: Mapped[str] = code("bundles", "code of the bundle")
    collection: Mapped[str | None] = refers(
        "collections.collection", "collection its sticks came from", index=True
    )
    received_from: Mapped[str | None] = field(Cell(), "who it came from, for wood from outside")
    cultivar: Mapped[str | None] = field(
        CultivarName(), "cultivar as claimed, for wood from outside"
    )
    sticks: Mapped[int] = field(Whole(counting=True), "sticks tied together", required=True)
    count: Mapped[Counting | None] = field(Choice(Counting), "counted or estimated")
    sealed: Mapped[bool | None] = field(YesNo(), "ends sealed")
    treatment: Mapped[str | None] = field(Cell(), "treatment of the wood")
    packed: Mapped[dt.date | None] = field(Day(), "day it was tied")
    packer: Mapped[str | None] = refers("people.person", "who tied it")
    store: Mapped[str | None] = refers("stores.store", "store it was first put into")
    shelf: Mapped[str | None] = field(Cell(), "place in the store")
    unlabelled: Mapped[bool | None] = field(
        YesNo(), "found without a label: nobody knows what wood it is", since="0005", desk=True
    )
    found_at: Mapped[str | None] = field(
        Cell(), "where wood without a label was found, and beside what", since="0005", desk=True
    )
    papers: Mapped[str | None] = field(
        Cell(), "papers that came with wood from outside, as claimed", since="0005", desk=True
    )
    notes: Mapped[str | None] = field(Cell(), "anything else", since="0005")


class BundleParent(Record):
    """Sticks that a bundle took over from another one."""

    __tablename__ = "bundle_parents"
    KEY = ("bundle", "parent")
    bundle: Mapped[str] = refers("bundles.bundle", "the new bundle", required=True)
    parent: Mapped[str] = refers(
        "bundles.bundle", "bundle the sticks came from", required=True, index=True
    )
    sticks: Mapped[int] = field(Whole(1, counting=True), "sticks that came from it", required=True)
    notes: Mapped[str | None] = field(Cell(), "anything else", since="0005")


class BundleEvent(Record):
    """Something that happened to a bundle after it was tied."""

    __tablename__ = "bundle_log"
    KEY = ("bundle", "time", "event")
    bundle: Mapped[str] = refers("bundles.bundle", "the bundle", required=True)
    time: Mapped[dt.datetime | None] = field(Moment(), "when")
    event: Mapped[BundleEventKind] = field(Choice(BundleEventKind), "what happened", required=True)
    store: Mapped[str | None] = refers("stores.store", "store it was put into", index=True)
    sticks: Mapped[int | None] = field(Whole(counting=True), "sticks concerned, or counted there")
    condition: Mapped[OpenWord | None] = field(Choice(Condition, "condition"), "state of the wood")
    note: Mapped[str | None] = field(Cell(), "anything else")


class Store(Record):
    """A cooler, box or shelf with a temperature record."""

    __tablename__ = "stores"
    KEY = ("store",)
    store: Mapped[str] = code("stores", "code of the store")
    kind: Mapped[StoreKind | None] = field(Choice(StoreKind), "what it is")
    notes: Mapped[str | None] = field(Cell(), "anything else", since="0005")


class StoreReading(Record):
    """One reading of a store's logger."""

    __tablename__ = "store_readings"
    KEY = ("store", "time")
    store: Mapped[str] = refers("stores.store", "the store", required=True)
    time: Mapped[dt.datetime] = field(Moment(), "when it was read", required=True)
    temperature_c: Mapped[float | None] = field(Number(-60, 70, "°C"), "air temperature, °C")
    humidity_pct: Mapped[float | None] = field(
        Number(0, 100, "%", "humidity_out_of_range"), "relative humidity, %"
    )
    notes: Mapped[str | None] = field(Cell(), "anything else", since="0005")


class RootstockLot(Record):
    """Rootstocks of one origin."""

    __tablename__ = "rootstock_lots"
    KEY = ("rootstock_lot",)
    rootstock_lot: Mapped[str] = code("rootstock_lots", "code of the lot")
    species: Mapped[str | None] = field(Cell(), "botanical name of the species")
    clone: Mapped[str | None] = field(Cell(), "name of the clone; empty for seedlings")
    seed_parent: Mapped[str | None] = field(Cell(), "tree the seed came from")
    supplier: Mapped[str | None] = field(Cell(), "who it came from")
    received: Mapped[dt.date | None] = field(Day("received_in"), "day it came")
    received_in: Mapped[str | None] = field(
        YearOrMonth(), "year or month it came, where the day is not known", since="0005"
    )
    plants: Mapped[int | None] = field(Whole(), "rootstocks that came", since="0005")
    notes: Mapped[str | None] = field(Cell(), "anything else", since="0005")


REGRAFTS: Any = dict.fromkeys(("sqlite_where", "postgresql_where"), text("regraft_of IS NOT NULL"))


class GraftLot(Record):
    """Grafts of one bundle by one grafter, one method, one rootstock lot, one day, one run."""

    __tablename__ = "graft_lots"
    KEY = ("graft_lot",)
    graft_lot: Mapped[str] = code("graft_lots", "code of the lot")
    bundle: Mapped[str] = refers("bundles.bundle", "bundle the wood came from", required=True)
    date: Mapped[dt.date | None] = field(Day(), "day of the grafting")
    grafter: Mapped[str] = refers("people.person", "who grafted", required=True)
    method: Mapped[OpenWord] = field(Choice(GraftMethod, "method"), "how", required=True)
    rootstock_lot: Mapped[str | None] = refers("rootstock_lots.rootstock_lot", "rootstocks used")
    stock_mm: Mapped[str | None] = field(Cell(), "diameter class of the rootstocks, mm")
    grafts: Mapped[int] = field(Whole(), "grafts made", required=True)
    sticks_used: Mapped[int | None] = field(Whole(), "sticks used up")
    block: Mapped[str | None] = refers("blocks.block", "block it stands in")
    row: Mapped[int | None] = field(Whole(1), "row in the block")
    first: Mapped[int | None] = field(Whole(1), "first position in the row")
    last: Mapped[int | None] = field(Whole(1), "last position in the row")
    order_in_day: Mapped[int | None] = field(Whole(1, 10_000), "turn in the grafter's day")
    regraft_of: Mapped[str | None] = refers(
        "graft_lots.graft_lot", "lot whose failures were grafted again"
    )
    notes: Mapped[str | None] = field(Cell(), "anything else", since="0005")
    __table_args__ = (
        # Recall reads a bundle's lots from the index alone.
        Index(
            "ix_graft_lots_wood",
            "bundle",
            "graft_lot",
            "date",
            "grafts",
            "sticks_used",
            "block",
            "row",
            "first",
            "last",
        ),
        # So does the rule against overlapping rows.
        Index("ix_graft_lots_place", "block", "row", "first", "last", "date", "regraft_of"),
        # Few lots are regrafts; every trace asks whether one is, every recall which are.
        Index("ix_graft_lots_regraft_of", "regraft_of", **REGRAFTS),
        Index("ix_graft_lots_regrafts", "bundle", "graft_lot", **REGRAFTS),
    )


class TakeCount(Record):
    """What stood in a graft lot on one day, by class."""

    __tablename__ = "take_counts"
    KEY = ("graft_lot", "date")
    graft_lot: Mapped[str] = refers("graft_lots.graft_lot", "the lot", required=True)
    date: Mapped[dt.date | None] = field(Day(), "day of the count")
    scorer: Mapped[str | None] = refers("people.person", "who counted")
    pushing: Mapped[int] = field(Whole(), "growing from the scion", required=True)
    green: Mapped[int | None] = field(Whole(), "scion green, not growing")
    dead: Mapped[int | None] = field(Whole(), "scion dead")
    stock_only: Mapped[int | None] = field(Whole(), "only the rootstock grows")
    missing: Mapped[int | None] = field(Whole(), "nothing there")
    broken: Mapped[int | None] = field(Whole(), "broken or blown out")
    notes: Mapped[str | None] = field(Cell(), "anything else", since="0005")


class Dispatch(Record):
    """Trees of one graft lot leaving to a customer."""

    __tablename__ = "dispatches"
    KEY = ("dispatch", "graft_lot")
    dispatch: Mapped[str] = field(Code("dispatches"), "code of the dispatch", required=True)
    graft_lot: Mapped[str] = refers(
        "graft_lots.graft_lot", "lot the trees came from", required=True
    )
    date: Mapped[dt.date | None] = field(Day(), "day they left")
    customer: Mapped[str] = field(Name(), "code of the customer", required=True)
    trees: Mapped[int] = field(Whole(1), "trees sent", required=True)
    first: Mapped[int | None] = field(Whole(1), "first position")
    last: Mapped[int | None] = field(Whole(1), "last position")
    label_cultivar: Mapped[str | None] = field(CultivarName(), "cultivar on the label")
    notes: Mapped[str | None] = field(Cell(), "anything else", since="0005")
    __table_args__ = (
        # Recall reads a lot's dispatches from the index alone.
        Index(
            "ix_dispatches_wood",
            *("graft_lot", "dispatch", "customer", "date", "trees", "first", "last"),
        ),
    )


class Hold(Record):
    """The nursery's own stop on a cutting, a graft lot, some of its positions, or a dispatch."""

    __tablename__ = "holds"
    KEY = ("item", "date", "event", "positions")
    item: Mapped[str] = field(
        Ref(("collections", "graft_lots", "dispatches"), single=True),
        "what is held",
        required=True,
    )
    positions: Mapped[str | None] = field(Positions(), "positions of the lot, when only those")
    date: Mapped[dt.date | None] = field(Day(), "day it was decided")
    event: Mapped[HoldEvent] = field(Choice(HoldEvent), "hold or release", required=True)
    detail: Mapped[str | None] = field(Cell(), "why")
    by: Mapped[str | None] = refers("people.person", "who decided")
    notes: Mapped[str | None] = field(Cell(), "anything else")


RECORDS: tuple[type[Record], ...] = (
    Cultivar,
    Person,
    Block,
    Store,
    RootstockLot,
    MotherTree,
    Permission,
    TreeEvent,
    Collection,
    Bundle,
    BundleParent,
    BundleEvent,
    StoreReading,
    GraftLot,
    TakeCount,
    IdentityCheck,
    Genotype,
    Dispatch,
    Hold,
)
"""Every record kind, in an order in which most references point back."""

KINDS: dict[str, type[Record]] = {record.__tablename__: record for record in RECORDS}


def table(kind: str) -> Table:
    """Return the table of a record kind."""
    found = KINDS[kind].__table__
    assert isinstance(found, Table)
    return found


def fields(kind: str) -> list[Column[Any]]:
    """Return the columns of a kind that its CSV file has, in order; outlines travel apart."""
    columns = table(kind).columns
    return [each for each in columns if "cell" in each.info and "apart" not in each.info]


def code_column(kind: str) -> Column[Any]:
    """Return the column of `kind` that other records refer to."""
    return table(kind).columns[KINDS[kind].KEY[0]]


def _known(column: Column[Any]) -> Any:
    """Return `column` with a value in place of an unknown one, so that two unknowns are equal."""
    if not column.nullable:
        return column
    stand_in = "''" if isinstance(column.type, Text) else "'0001-01-01'"
    return func.coalesce(column, literal_column(stand_in))


for _record in RECORDS:
    if len(_record.KEY) > 1:
        _columns = table(_record.__tablename__).columns
        Index(
            f"uq_{_record.__tablename__}_key",
            *(_known(_columns[name]) for name in _record.KEY),
            unique=True,
        )
