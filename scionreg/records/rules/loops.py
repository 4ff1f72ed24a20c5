"""Rules against loops: nothing comes from itself."""

from collections.abc import Iterator
from typing import Any

from sqlalchemy import Select, exists, select, text

from scionreg.records.rules.base import Scope, broken, rule
from scionreg.records.tables import table
from scionreg.records.vocabulary import Trouble


def _returning(scope: Scope, kind: str, owner: str, named: Any, source: Any) -> Select[Any]:
    """Return the records of `kind` from which one comes back to `named`, by `source` at each step.

    `owner` is the kind that `named` is a code of.
    """
    up = (
        select(named.label("start"), source.label("reached"))
        .where(scope.of(owner, named), source.is_not(None))
        .cte("up", recursive=True)
    )
    step = (
        select(up.columns["start"], source)
        .join(up, named == up.columns["reached"])
        .where(source.is_not(None))
    )
    up = up.union(step)
    returned = exists().where(up.columns["start"] == named, up.columns["reached"] == named)
    return broken(kind, source).where(scope.of(owner, named), returned)


@rule(
    kind="bundle_parents",
    column="parent",
    trouble=Trouble.REFUSED,
    touches=("bundle_parents",),
    why="Sticks cannot come from sticks that came from them.",
    wrong="bundle {key_0} comes from itself, through {value}",
    right="correct the parents",
)
def loop_of_bundles(scope: Scope) -> Iterator[Select[Any]]:
    """No bundle is its own forebear."""
    parents = table("bundle_parents").columns
    yield _returning(scope, "bundle_parents", "bundles", parents["bundle"], parents["parent"])


@rule(
    kind="graft_lots",
    column="regraft_of",
    trouble=Trouble.REFUSED,
    touches=("graft_lots",),
    why="A lot cannot stand on the failures of grafts that were made after it, or of its own.",
    wrong="graft lot {key_0} regrafts itself, through {value}",
    right="correct the lot that it regrafts",
)
def loop_of_regrafts(scope: Scope) -> Iterator[Select[Any]]:
    """No lot regrafts itself, at once or through others."""
    lots = table("graft_lots").columns
    yield _returning(scope, "graft_lots", "graft_lots", lots["graft_lot"], lots["regraft_of"])


@rule(
    kind="mother_trees",
    column="graft_lot",
    trouble=Trouble.REFUSED,
    touches=("mother_trees", "graft_lots", "bundles", "collections", "bundle_parents"),
    why="A tree cannot give the wood it was grown from.",
    wrong="tree {key_0} grew from wood that was cut from it, through {value}",
    right="correct the graft lot, the bundle or the collection",
)
def loop_of_trees(scope: Scope) -> Iterator[Select[Any]]:
    """No tree is its own forebear."""
    trees = table("mother_trees").columns
    yield (
        broken("mother_trees", trees["graft_lot"])
        .where(trees["graft_lot"].is_not(None))
        .where(text(TREE_RETURNS))
    )


TREE_RETURNS = """
mother_trees.tree IN (
    WITH RECURSIVE grown(start, bundle, tree) AS (
        SELECT t.tree, g.bundle, nullif(t.tree, t.tree) FROM mother_trees t
        JOIN graft_lots g ON g.graft_lot = t.graft_lot
        UNION
        SELECT w.start, coalesce(p.parent, g.bundle), c.tree
        FROM grown w
        LEFT JOIN bundle_parents p ON p.bundle = w.bundle
        LEFT JOIN bundles b ON b.bundle = w.bundle
        LEFT JOIN collections c ON c.collection = b.collection
        LEFT JOIN mother_trees t ON t.tree = c.tree
        LEFT JOIN graft_lots g ON g.graft_lot = t.graft_lot
        WHERE w.bundle IS NOT NULL
    )
    SELECT start FROM grown WHERE tree = start
)
"""
"""Starts at the few trees grown here, so that it stays small in a registry of any size.

It starts with no tree, by nullif: PostgreSQL holds a bare NULL to be text of another collation.
"""
