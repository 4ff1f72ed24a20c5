"""A bundle tied from others at the keyboard: its own cells, then a row for each of the others."""

from collections.abc import Callable, Iterator, Mapping, Sequence

from scionreg.entering.checking import Cells, Checker, Verdict
from scionreg.records.tables import fields
from scionreg.records.words import Words
from scionreg.registry.changes import Change
from scionreg.registry.recording import completed
from scionreg.registry.store import Store

OWN = ("bundle", "packed", "packer", "store", "shelf")
"""The cells of the new bundle; its sticks are those of its parents together."""


class TiedChecker(Checker):
    """Reads the new bundle's own cells, which are judged with its parents."""

    def __init__(self, store: Store, *, by: str, words: Words) -> None:
        columns = [column for column in fields("bundles") if column.name in OWN]
        super().__init__(store, "bundles", columns, by=by, words=words)

    def judge(
        self,
        rows: Sequence[tuple[int, Cells]],
        *,
        recording: Callable[[Mapping[int, str]], None] | None = None,
    ) -> Verdict:
        """Return that nothing is known yet."""
        return Verdict(problems=(), made=(), repeated=())


class ParentsChecker(Checker):
    """Judges the rows of the bundles that one with the cells `tied` was tied from, and that one."""

    def __init__(self, store: Store, tied: Cells, *, by: str, words: Words) -> None:
        columns = [column for column in fields("bundle_parents") if column.name != "bundle"]
        super().__init__(store, "bundle_parents", columns, by=by, words=words)
        self._tied = tied

    def _texts(
        self, making: Change, rows: Sequence[tuple[int, Cells]]
    ) -> Iterator[tuple[int, str, Cells]]:
        sticks = sum(int(cells["sticks"]) for _, cells in rows)
        bundle = completed(making, "bundles", {**self._tied, "sticks": str(sticks)})
        yield 0, "bundles", bundle
        for number, cells in rows:
            link = {**cells, "bundle": bundle["bundle"]}
            yield number, self.kind, completed(making, self.kind, link)
