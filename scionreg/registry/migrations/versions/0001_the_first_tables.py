"""The first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

METADATA = sa.MetaData()
"""The tables as they were; some name each other, so SQLAlchemy finds the order to make them in."""


def _column(table: str, name: str) -> sa.Column[object]:
    return METADATA.tables[table].columns[name]


def _key_part(table: str, part: str) -> sa.Column[object] | sa.TextClause:
    columns = METADATA.tables[table].columns
    return columns[part] if part in columns else sa.text(part)


def upgrade() -> None:
    """Make the tables."""
    METADATA.create_all(op.get_bind())


sa.Table(
    "blocks",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("block", sa.Text(), nullable=False),
    sa.Column(
        "kind",
        sa.Enum(
            "bank", "orchard", "nursery", "bench", name="blockkind", native_enum=False, length=40
        ),
        nullable=True,
    ),
    sa.Column("row_spacing_m", sa.Double(), nullable=True),
    sa.Column("tree_spacing_m", sa.Double(), nullable=True),
    sa.Column(
        "counted_from",
        sa.Enum("N", "E", "S", "W", name="side", native_enum=False, length=40),
        nullable=True,
    ),
    sa.Column("outline", sa.Text(), nullable=True),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.PrimaryKeyConstraint("id", name="pk_blocks"),
    sa.UniqueConstraint("block", name="uq_blocks_block"),
)
sa.Table(
    "bundles",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("bundle", sa.Text(), nullable=False),
    sa.Column("collection", sa.Text(), nullable=True),
    sa.Column("received_from", sa.Text(), nullable=True),
    sa.Column("cultivar", sa.Text(), nullable=True),
    sa.Column("sticks", sa.Integer(), nullable=False),
    sa.Column(
        "count",
        sa.Enum("counted", "estimated", name="counting", native_enum=False, length=40),
        nullable=True,
    ),
    sa.Column("sealed", sa.Boolean(), nullable=True),
    sa.Column("treatment", sa.Text(), nullable=True),
    sa.Column("packed", sa.Date(), nullable=True),
    sa.Column("packer", sa.Text(), nullable=True),
    sa.Column("store", sa.Text(), nullable=True),
    sa.Column("shelf", sa.Text(), nullable=True),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.ForeignKeyConstraint(
        ["collection"],
        ["collections.collection"],
        name="fk_bundles_collection_collections",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.ForeignKeyConstraint(
        ["packer"],
        ["people.person"],
        name="fk_bundles_packer_people",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.ForeignKeyConstraint(
        ["store"],
        ["stores.store"],
        name="fk_bundles_store_stores",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.PrimaryKeyConstraint("id", name="pk_bundles"),
    sa.UniqueConstraint("bundle", name="uq_bundles_bundle"),
)
sa.Index("ix_bundles_collection", _column("bundles", "collection"))

sa.Table(
    "collections",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("collection", sa.Text(), nullable=False),
    sa.Column("tree", sa.Text(), nullable=False),
    sa.Column("limb", sa.Text(), nullable=True),
    sa.Column("date", sa.Date(), nullable=True),
    sa.Column("cutter", sa.Text(), nullable=True),
    sa.Column("shoots", sa.Integer(), nullable=True),
    sa.Column("sticks", sa.Integer(), nullable=False),
    sa.Column(
        "count",
        sa.Enum("counted", "estimated", name="counting", native_enum=False, length=40),
        nullable=True,
    ),
    sa.Column("share_cut", sa.Double(), nullable=True),
    sa.Column("shoot_length_cm", sa.Double(), nullable=True),
    sa.Column("bud_stage", sa.Integer(), nullable=True),
    sa.Column("in_leaf", sa.Boolean(), nullable=True),
    sa.Column("tools_cleaned", sa.Boolean(), nullable=True),
    sa.Column("order_in_day", sa.Integer(), nullable=True),
    sa.Column("latitude", sa.Double(), nullable=True),
    sa.Column("longitude", sa.Double(), nullable=True),
    sa.Column("accuracy_m", sa.Double(), nullable=True),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.ForeignKeyConstraint(
        ["cutter"],
        ["people.person"],
        name="fk_collections_cutter_people",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.ForeignKeyConstraint(
        ["tree"],
        ["mother_trees.tree"],
        name="fk_collections_tree_mother_trees",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.PrimaryKeyConstraint("id", name="pk_collections"),
    sa.UniqueConstraint("collection", name="uq_collections_collection"),
)
sa.Index("ix_collections_date", _column("collections", "date"))
sa.Index("ix_collections_tree", _column("collections", "tree"))

sa.Table(
    "cultivars",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("cultivar", sa.Text(), nullable=False),
    sa.Column("species", sa.Text(), nullable=False),
    sa.Column("aliases", sa.Text(), nullable=True),
    sa.Column(
        "rights",
        sa.Enum(
            "none",
            "patent",
            "pvr",
            "pending",
            "unknown",
            name="rights",
            native_enum=False,
            length=40,
        ),
        nullable=True,
    ),
    sa.Column("rights_no", sa.Text(), nullable=True),
    sa.Column("rights_until", sa.Date(), nullable=True),
    sa.Column("licence_no", sa.Text(), nullable=True),
    sa.Column("cannot_tell_from", sa.Text(), nullable=True),
    sa.Column("notes", sa.Text(), nullable=True),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.PrimaryKeyConstraint("id", name="pk_cultivars"),
    sa.UniqueConstraint("cultivar", name="uq_cultivars_cultivar"),
)
sa.Table(
    "genotypes",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("sample", sa.Text(), nullable=False),
    sa.Column("item", sa.Text(), nullable=True),
    sa.Column("cultivar", sa.Text(), nullable=True),
    sa.Column("laboratory", sa.Text(), nullable=True),
    sa.Column("locus", sa.Text(), nullable=False),
    sa.Column("allele_1", sa.Integer(), nullable=True),
    sa.Column("allele_2", sa.Integer(), nullable=True),
    sa.Column("allele_3", sa.Integer(), nullable=True),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.PrimaryKeyConstraint("id", name="pk_genotypes"),
)
sa.Index(
    "uq_genotypes_key", _column("genotypes", "sample"), _column("genotypes", "locus"), unique=True
)

sa.Table(
    "graft_lots",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("graft_lot", sa.Text(), nullable=False),
    sa.Column("bundle", sa.Text(), nullable=False),
    sa.Column("date", sa.Date(), nullable=True),
    sa.Column("grafter", sa.Text(), nullable=False),
    sa.Column(
        "method",
        sa.Enum(
            "four_flap",
            "three_flap",
            "inlay_bark",
            "whip",
            "whip_and_tongue",
            "cleft",
            "saddle",
            "side",
            "hot_callus",
            "patch_bud",
            "chip_bud",
            "t_bud",
            "inverted_t",
            name="graftmethod",
            native_enum=False,
            length=40,
        ),
        nullable=False,
    ),
    sa.Column("rootstock_lot", sa.Text(), nullable=True),
    sa.Column("stock_mm", sa.Text(), nullable=True),
    sa.Column("grafts", sa.Integer(), nullable=False),
    sa.Column("sticks_used", sa.Integer(), nullable=True),
    sa.Column("block", sa.Text(), nullable=True),
    sa.Column("row", sa.Integer(), nullable=True),
    sa.Column("first", sa.Integer(), nullable=True),
    sa.Column("last", sa.Integer(), nullable=True),
    sa.Column("order_in_day", sa.Integer(), nullable=True),
    sa.Column("regraft_of", sa.Text(), nullable=True),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.ForeignKeyConstraint(
        ["block"],
        ["blocks.block"],
        name="fk_graft_lots_block_blocks",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.ForeignKeyConstraint(
        ["bundle"],
        ["bundles.bundle"],
        name="fk_graft_lots_bundle_bundles",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.ForeignKeyConstraint(
        ["grafter"],
        ["people.person"],
        name="fk_graft_lots_grafter_people",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.ForeignKeyConstraint(
        ["regraft_of"],
        ["graft_lots.graft_lot"],
        name="fk_graft_lots_regraft_of_graft_lots",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.ForeignKeyConstraint(
        ["rootstock_lot"],
        ["rootstock_lots.rootstock_lot"],
        name="fk_graft_lots_rootstock_lot_rootstock_lots",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.PrimaryKeyConstraint("id", name="pk_graft_lots"),
    sa.UniqueConstraint("graft_lot", name="uq_graft_lots_graft_lot"),
)
sa.Index("ix_graft_lots_bundle", _column("graft_lots", "bundle"))
sa.Index(
    "ix_graft_lots_place",
    _column("graft_lots", "block"),
    _column("graft_lots", "row"),
    _column("graft_lots", "first"),
)

sa.Table(
    "journal",
    METADATA,
    sa.Column("seq", sa.Integer(), autoincrement=False, nullable=False),
    sa.Column("time", sa.DateTime(timezone=True), nullable=False),
    sa.Column("by", sa.Text(), nullable=False),
    sa.Column("action", sa.Text(), nullable=False),
    sa.Column("kind", sa.Text(), nullable=False),
    sa.Column("key", sa.Text(), nullable=False),
    sa.Column("why", sa.Text(), nullable=False),
    sa.Column("content", sa.Text(), nullable=False),
    sa.Column("previous", sa.Text(), nullable=False),
    sa.Column("digest", sa.Text(), nullable=False),
    sa.PrimaryKeyConstraint("seq", name="pk_journal"),
)
sa.Table(
    "journal_head",
    METADATA,
    sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
    sa.Column("seq", sa.Integer(), nullable=False),
    sa.Column("digest", sa.Text(), nullable=False),
    sa.PrimaryKeyConstraint("id", name="pk_journal_head"),
)
sa.Table(
    "mother_trees",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("tree", sa.Text(), nullable=False),
    sa.Column("cultivar", sa.Text(), nullable=False),
    sa.Column(
        "kind",
        sa.Enum(
            "bank",
            "bearing",
            "young",
            "dehorned",
            "increase",
            name="treekind",
            native_enum=False,
            length=40,
        ),
        nullable=True,
    ),
    sa.Column("block", sa.Text(), nullable=True),
    sa.Column("row", sa.Integer(), nullable=True),
    sa.Column("position", sa.Integer(), nullable=True),
    sa.Column("latitude", sa.Double(), nullable=True),
    sa.Column("longitude", sa.Double(), nullable=True),
    sa.Column("accuracy_m", sa.Double(), nullable=True),
    sa.Column(
        "fix_method",
        sa.Enum(
            "phone",
            "receiver",
            "survey",
            "map",
            "estimated",
            name="fixmethod",
            native_enum=False,
            length=40,
        ),
        nullable=True,
    ),
    sa.Column("planted", sa.Date(), nullable=True),
    sa.Column("rank", sa.Text(), nullable=True),
    sa.Column("graft_lot", sa.Text(), nullable=True),
    sa.Column("graft_position", sa.Integer(), nullable=True),
    sa.Column("received_from", sa.Text(), nullable=True),
    sa.Column("rootstock", sa.Text(), nullable=True),
    sa.Column("sticks_per_year", sa.Integer(), nullable=True),
    sa.Column(
        "status",
        sa.Enum(
            "usable", "resting", "retired", "dead", name="treestatus", native_enum=False, length=40
        ),
        nullable=True,
    ),
    sa.Column("location_private", sa.Boolean(), nullable=True),
    sa.Column("notes", sa.Text(), nullable=True),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.ForeignKeyConstraint(
        ["block"],
        ["blocks.block"],
        name="fk_mother_trees_block_blocks",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.ForeignKeyConstraint(
        ["graft_lot"],
        ["graft_lots.graft_lot"],
        name="fk_mother_trees_graft_lot_graft_lots",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.PrimaryKeyConstraint("id", name="pk_mother_trees"),
    sa.UniqueConstraint("tree", name="uq_mother_trees_tree"),
)
sa.Index("ix_mother_trees_cultivar", _column("mother_trees", "cultivar"))
sa.Index("ix_mother_trees_graft_lot", _column("mother_trees", "graft_lot"))
sa.Index(
    "ix_mother_trees_place",
    _column("mother_trees", "block"),
    _column("mother_trees", "row"),
    _column("mother_trees", "position"),
)

sa.Table(
    "people",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("person", sa.Text(), nullable=False),
    sa.Column("roles", sa.Text(), nullable=True),
    sa.Column("mark", sa.Text(), nullable=True),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.PrimaryKeyConstraint("id", name="pk_people"),
    sa.UniqueConstraint("person", name="uq_people_person"),
)
sa.Table(
    "reserved_codes",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("kind", sa.Text(), nullable=False),
    sa.Column("season", sa.Integer(), nullable=False),
    sa.Column("first", sa.Integer(), nullable=False),
    sa.Column("last", sa.Integer(), nullable=False),
    sa.Column("person", sa.Text(), nullable=False),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.PrimaryKeyConstraint("id", name="pk_reserved_codes"),
)
sa.Table(
    "rootstock_lots",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("rootstock_lot", sa.Text(), nullable=False),
    sa.Column("species", sa.Text(), nullable=True),
    sa.Column("clone", sa.Text(), nullable=True),
    sa.Column("seed_parent", sa.Text(), nullable=True),
    sa.Column("supplier", sa.Text(), nullable=True),
    sa.Column("received", sa.Date(), nullable=True),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.PrimaryKeyConstraint("id", name="pk_rootstock_lots"),
    sa.UniqueConstraint("rootstock_lot", name="uq_rootstock_lots_rootstock_lot"),
)
sa.Table(
    "settings",
    METADATA,
    sa.Column("name", sa.Text(), nullable=False),
    sa.Column("value", sa.Text(), nullable=False),
    sa.PrimaryKeyConstraint("name", name="pk_settings"),
)
sa.Table(
    "stores",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("store", sa.Text(), nullable=False),
    sa.Column(
        "kind",
        sa.Enum("cooler", "box", "shelf", name="storekind", native_enum=False, length=40),
        nullable=True,
    ),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.PrimaryKeyConstraint("id", name="pk_stores"),
    sa.UniqueConstraint("store", name="uq_stores_store"),
)
sa.Table(
    "versions",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("kind", sa.Text(), nullable=False),
    sa.Column("record", sa.BigInteger(), nullable=False),
    sa.Column("key", sa.Text(), nullable=False),
    sa.Column("made", sa.Integer(), nullable=False),
    sa.Column("ended", sa.Integer(), nullable=False),
    sa.Column("voided", sa.Boolean(), nullable=False),
    sa.Column("content", sa.Text(), nullable=False),
    sa.PrimaryKeyConstraint("id", name="pk_versions"),
)
sa.Index("ix_versions_key", _column("versions", "kind"), _column("versions", "key"))
sa.Index(
    "ix_versions_record",
    _column("versions", "kind"),
    _column("versions", "record"),
    _column("versions", "made"),
    unique=True,
)

sa.Table(
    "bundle_log",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("bundle", sa.Text(), nullable=False),
    sa.Column("time", sa.DateTime(timezone=True), nullable=True),
    sa.Column(
        "event",
        sa.Enum(
            "moved",
            "checked",
            "discarded",
            "sold",
            "hold",
            "released",
            name="bundleeventkind",
            native_enum=False,
            length=40,
        ),
        nullable=False,
    ),
    sa.Column("store", sa.Text(), nullable=True),
    sa.Column("sticks", sa.Integer(), nullable=True),
    sa.Column(
        "condition",
        sa.Enum(
            "good",
            "dry",
            "mould",
            "pushing",
            "dead",
            name="condition",
            native_enum=False,
            length=40,
        ),
        nullable=True,
    ),
    sa.Column("note", sa.Text(), nullable=True),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.ForeignKeyConstraint(
        ["bundle"],
        ["bundles.bundle"],
        name="fk_bundle_log_bundle_bundles",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.ForeignKeyConstraint(
        ["store"],
        ["stores.store"],
        name="fk_bundle_log_store_stores",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.PrimaryKeyConstraint("id", name="pk_bundle_log"),
)
sa.Index("ix_bundle_log_store", _column("bundle_log", "store"))

sa.Table(
    "bundle_parents",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("bundle", sa.Text(), nullable=False),
    sa.Column("parent", sa.Text(), nullable=False),
    sa.Column("sticks", sa.Integer(), nullable=False),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.ForeignKeyConstraint(
        ["bundle"],
        ["bundles.bundle"],
        name="fk_bundle_parents_bundle_bundles",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.ForeignKeyConstraint(
        ["parent"],
        ["bundles.bundle"],
        name="fk_bundle_parents_parent_bundles",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.PrimaryKeyConstraint("id", name="pk_bundle_parents"),
)
sa.Index("ix_bundle_parents_parent", _column("bundle_parents", "parent"))
sa.Index(
    "uq_bundle_parents_key",
    _column("bundle_parents", "bundle"),
    _column("bundle_parents", "parent"),
    unique=True,
)

sa.Table(
    "dispatches",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("dispatch", sa.Text(), nullable=False),
    sa.Column("graft_lot", sa.Text(), nullable=False),
    sa.Column("date", sa.Date(), nullable=True),
    sa.Column("customer", sa.Text(), nullable=False),
    sa.Column("trees", sa.Integer(), nullable=False),
    sa.Column("first", sa.Integer(), nullable=True),
    sa.Column("last", sa.Integer(), nullable=True),
    sa.Column("label_cultivar", sa.Text(), nullable=True),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.ForeignKeyConstraint(
        ["graft_lot"],
        ["graft_lots.graft_lot"],
        name="fk_dispatches_graft_lot_graft_lots",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.PrimaryKeyConstraint("id", name="pk_dispatches"),
)
sa.Index("ix_dispatches_graft_lot", _column("dispatches", "graft_lot"))
sa.Index(
    "uq_dispatches_key",
    _column("dispatches", "dispatch"),
    _column("dispatches", "graft_lot"),
    unique=True,
)

sa.Table(
    "identity_checks",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("check", sa.Text(), nullable=False),
    sa.Column("item", sa.Text(), nullable=False),
    sa.Column("limb", sa.Text(), nullable=True),
    sa.Column("positions_checked", sa.Text(), nullable=True),
    sa.Column("positions", sa.Text(), nullable=True),
    sa.Column("date", sa.Date(), nullable=True),
    sa.Column(
        "method",
        sa.Enum(
            "dna", "fruit", "leaf", "bud", "paper", name="checkmethod", native_enum=False, length=40
        ),
        nullable=False,
    ),
    sa.Column("checked", sa.Integer(), nullable=False),
    sa.Column("off", sa.Integer(), nullable=False),
    sa.Column("found", sa.Text(), nullable=True),
    sa.Column("by", sa.Text(), nullable=True),
    sa.Column("reference", sa.Text(), nullable=True),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.ForeignKeyConstraint(
        ["by"],
        ["people.person"],
        name="fk_identity_checks_by_people",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.PrimaryKeyConstraint("id", name="pk_identity_checks"),
    sa.UniqueConstraint("check", name="uq_identity_checks_check"),
)
sa.Index("ix_identity_checks_item", _column("identity_checks", "item"))

sa.Table(
    "store_readings",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("store", sa.Text(), nullable=False),
    sa.Column("time", sa.DateTime(timezone=True), nullable=False),
    sa.Column("temperature_c", sa.Double(), nullable=True),
    sa.Column("humidity_pct", sa.Double(), nullable=True),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.ForeignKeyConstraint(
        ["store"],
        ["stores.store"],
        name="fk_store_readings_store_stores",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.PrimaryKeyConstraint("id", name="pk_store_readings"),
)
sa.Index(
    "uq_store_readings_key",
    _column("store_readings", "store"),
    _column("store_readings", "time"),
    unique=True,
)

sa.Table(
    "take_counts",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("graft_lot", sa.Text(), nullable=False),
    sa.Column("date", sa.Date(), nullable=True),
    sa.Column("scorer", sa.Text(), nullable=True),
    sa.Column("pushing", sa.Integer(), nullable=False),
    sa.Column("green", sa.Integer(), nullable=True),
    sa.Column("dead", sa.Integer(), nullable=True),
    sa.Column("stock_only", sa.Integer(), nullable=True),
    sa.Column("missing", sa.Integer(), nullable=True),
    sa.Column("broken", sa.Integer(), nullable=True),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.ForeignKeyConstraint(
        ["graft_lot"],
        ["graft_lots.graft_lot"],
        name="fk_take_counts_graft_lot_graft_lots",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.ForeignKeyConstraint(
        ["scorer"],
        ["people.person"],
        name="fk_take_counts_scorer_people",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.PrimaryKeyConstraint("id", name="pk_take_counts"),
)
sa.Table(
    "tree_events",
    METADATA,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
    sa.Column("tree", sa.Text(), nullable=False),
    sa.Column("date", sa.Date(), nullable=True),
    sa.Column(
        "event",
        sa.Enum(
            "topworked",
            "replanted",
            "retagged",
            "regrew_below_union",
            "limb_removed",
            "pruned_hard",
            "treated",
            "died",
            "hold",
            "released",
            "notice",
            name="treeeventkind",
            native_enum=False,
            length=40,
        ),
        nullable=False,
    ),
    sa.Column("limb", sa.Text(), nullable=True),
    sa.Column("detail", sa.Text(), nullable=True),
    sa.Column("entry", sa.Integer(), nullable=False),
    sa.ForeignKeyConstraint(
        ["tree"],
        ["mother_trees.tree"],
        name="fk_tree_events_tree_mother_trees",
        initially="DEFERRED",
        deferrable=True,
    ),
    sa.PrimaryKeyConstraint("id", name="pk_tree_events"),
)

for kind, known in (
    ("tree_events", ("tree", "coalesce(date, '0001-01-01')", "event", "coalesce(limb, '')")),
    ("bundle_log", ("bundle", "coalesce(time, '0001-01-01')", "event")),
    ("take_counts", ("graft_lot", "coalesce(date, '0001-01-01')")),
):
    # Unknown parts of a key count as equal, so that a second unknown is seen as a repeat.
    sa.Index(f"uq_{kind}_key", *(_key_part(kind, part) for part in known), unique=True)
