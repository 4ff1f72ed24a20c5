"""The chain told slowly and plainly: one step up at a time, exact fractions, nothing remembered."""

import datetime as dt
from collections.abc import Callable, Iterable
from fractions import Fraction
from typing import Any

Rows = dict[str, list[dict[str, Any]]]
Node = tuple[str, str]
"""What it is, and its code; a line of a dispatch has the code ``dispatch|graft lot``."""

Shares = dict[Node, Fraction]


class NaiveChain:
    """Answers about records given as rows by kind."""

    def __init__(self, records: Rows) -> None:
        self.records = records

    def _one(self, kind: str, column: str, code: str) -> dict[str, Any]:
        (row,) = (row for row in self.records[kind] if row[column] == code)
        return row

    def nodes(self) -> list[Node]:
        """Return everything that wood comes into."""
        found = [("tree", row["tree"]) for row in self.records["mother_trees"]]
        found += [("collection", row["collection"]) for row in self.records["collections"]]
        found += [("bundle", row["bundle"]) for row in self.records["bundles"]]
        found += [("graft_lot", row["graft_lot"]) for row in self.records["graft_lots"]]
        found += [
            ("line", f"{row['dispatch']}|{row['graft_lot']}") for row in self.records["dispatches"]
        ]
        found += [("dispatch", row["dispatch"]) for row in self.records["dispatches"]]
        return list(dict.fromkeys(found))

    def sources(self, node: Node) -> Shares:
        """Return where the wood of something came from, one step up, with shares."""
        what, code = node
        if what == "tree":
            return self._of_tree(self._one("mother_trees", "tree", code))
        if what == "collection":
            return {("tree", self._one("collections", "collection", code)["tree"]): Fraction(1)}
        if what == "bundle":
            return self._of_bundle(self._one("bundles", "bundle", code))
        if what == "graft_lot":
            return {("bundle", self._one("graft_lots", "graft_lot", code)["bundle"]): Fraction(1)}
        if what == "line":
            dispatch, lot = code.split("|")
            return self._of_line(
                next(
                    row
                    for row in self.records["dispatches"]
                    if (row["dispatch"], row["graft_lot"]) == (dispatch, lot)
                )
            )
        if what == "dispatch":
            return self._of_dispatch(code)
        return {}

    def _of_tree(self, tree: dict[str, Any]) -> Shares:
        if tree["graft_lot"] is None:
            return {}
        at = tree["graft_position"]
        return self.standing(tree["graft_lot"], at, at, tree["planted"])

    def _of_bundle(self, bundle: dict[str, Any]) -> Shares:
        code = bundle["bundle"]
        given = {
            row["parent"]: row["sticks"]
            for row in self.records["bundle_parents"]
            if row["bundle"] == code
        }
        if not given:
            if bundle["collection"] is not None:
                return {("collection", bundle["collection"]): Fraction(1)}
            outside = "outside" if bundle["received_from"] is not None else "unknown"
            return {(outside, code): Fraction(1)}
        whole = max(bundle["sticks"], sum(given.values()))
        shares: Shares = {("bundle", p): Fraction(n, whole) for p, n in given.items()}
        rest = 1 - sum(shares.values())
        if rest > 0:
            shares["unknown", code] = rest
        return shares

    def _of_line(self, line: dict[str, Any]) -> Shares:
        return self.standing(line["graft_lot"], line["first"], line["last"], line["date"])

    def _of_dispatch(self, code: str) -> Shares:
        lines = [row for row in self.records["dispatches"] if row["dispatch"] == code]
        trees = sum(line["trees"] for line in lines)
        shares: Shares = {}
        for line in lines:
            for source, share in self._of_line(line).items():
                part = share * Fraction(line["trees"], trees)
                shares[source] = shares.get(source, Fraction(0)) + part
        return shares

    # Regrafts, position by position, in the order in which they were made

    def standing(
        self, lot: str, first: int | None, last: int | None, when: dt.date | None
    ) -> Shares:
        """Return which lots' grafts stand at positions of a lot on a day."""
        row = self._one("graft_lots", "graft_lot", lot)
        if first is None:
            first, last = row["first"], row["last"]
        positions: list[int | None] = [None]
        if first is not None and last is not None:
            positions = list(range(first, last + 1))
        shares: Shares = {}
        for position in positions:
            for code, chance in self._at(lot, position, when).items():
                part = chance / len(positions)
                shares["graft_lot", code] = shares.get(("graft_lot", code), Fraction(0)) + part
        return {node: share for node, share in shares.items() if share > 0}

    def _under(self, lot: str) -> list[str]:
        found = [lot]
        for row in self.records["graft_lots"]:
            if row["regraft_of"] == lot:
                found += self._under(row["graft_lot"])
        return found

    def _at(self, lot: str, position: int | None, when: dt.date | None) -> dict[str, Fraction]:
        chances = {lot: Fraction(1)}
        regrafts = [
            row
            for row in self.records["graft_lots"]
            if row["graft_lot"] in self._under(lot) and row["graft_lot"] != lot
        ]
        for row in sorted(regrafts, key=lambda row: (row["date"], row["graft_lot"])):
            if when is not None and row["date"] > when:
                continue
            before = self._one("graft_lots", "graft_lot", row["regraft_of"])
            share = self._covers(row, before, position)
            taken = {
                code: chances.get(code, Fraction(0)) for code in self._under(row["regraft_of"])
            }
            for code, chance in taken.items():
                chances[code] = chance * (1 - share)
            own = chances.get(row["graft_lot"], Fraction(0))
            chances[row["graft_lot"]] = own + share * sum(taken.values())
        return chances

    @staticmethod
    def _covers(row: dict[str, Any], before: dict[str, Any], position: int | None) -> Fraction:
        if position is None or row["first"] is None:
            return min(Fraction(1), Fraction(row["grafts"], before["grafts"]))
        if not row["first"] <= position <= row["last"]:
            return Fraction(0)
        return min(Fraction(1), Fraction(row["grafts"], row["last"] - row["first"] + 1))

    # Over all steps

    def endings(self, node: Node) -> Shares:
        """Return the collections and outside sources of the nearest generation, with shares."""
        found: Shares = {}
        for source, share in self.sources(node).items():
            if source[0] in ("collection", "outside", "unknown"):
                found[source] = found.get(source, Fraction(0)) + share
            else:
                for ending, part in self.endings(source).items():
                    found[ending] = found.get(ending, Fraction(0)) + share * part
        return found

    def generations(self, node: Node) -> list[Shares]:
        """Return the endings of every generation, nearest first; they end with founders."""
        if node[0] == "collection":
            found = [{node: Fraction(1)}]
        else:
            found = [self.endings(node) or {("founder", node[1]): Fraction(1)}]
        while any(self._grown(ending) for ending in found[-1]):
            earlier: Shares = {}
            for ending, share in found[-1].items():
                for further, part in self._before(ending).items():
                    earlier[further] = earlier.get(further, Fraction(0)) + share * part
            found.append(earlier)
        return found

    def _tree_of(self, ending: Node) -> Node | None:
        return next(iter(self.sources(ending))) if ending[0] == "collection" else None

    def _grown(self, ending: Node) -> bool:
        tree = self._tree_of(ending)
        return tree is not None and bool(self.sources(tree))

    def _before(self, ending: Node) -> Shares:
        tree = self._tree_of(ending)
        if tree is None:
            return {ending: Fraction(1)}
        return self.endings(tree) or {("founder", tree[1]): Fraction(1)}

    def ancestors(self, node: Node) -> set[Node]:
        """Return everything upward."""
        found: set[Node] = set()
        for source in self.sources(node):
            found |= {source} | self.ancestors(source)
        return found

    def share_from(self, node: Node, asked: Callable[[Node], bool]) -> Fraction:
        """Return the share of the wood of something that came through what is asked about."""
        if asked(node):
            return Fraction(1)
        return sum(
            (
                share * self.share_from(source, asked)
                for source, share in self.sources(node).items()
            ),
            Fraction(0),
        )

    def reached(self, asked: Iterable[Node]) -> Shares:
        """Return everything that some of the wood asked about came into, with its share."""
        wanted = set(asked)
        shares = {node: self.share_from(node, wanted.__contains__) for node in self.nodes()}
        return {node: share for node, share in shares.items() if share > 0}
