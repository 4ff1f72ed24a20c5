"""A page taken apart, as a browser would: elements, scripts, and what it tells its script."""

from html.parser import HTMLParser
from typing import Any

import orjson


class Page(HTMLParser):
    """A page taken apart: its elements with attributes, and the text of scripts and styles."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.inside: dict[str, list[str]] = {"script": [], "style": []}
        self.text = ""
        self._open = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._open = tag if tag in self.inside else ""
        if self._open:
            self.inside[tag].append("")

    def handle_endtag(self, tag: str) -> None:
        self._open = ""

    def handle_data(self, data: str) -> None:
        if self._open:
            self.inside[self._open][-1] += data
        else:
            self.text += data

    def told(self) -> dict[str, Any]:
        at = [attrs for tag, attrs in self.elements if tag == "script"]
        of = [i for i, attrs in enumerate(at) if attrs.get("type") == "application/json"]
        return orjson.loads(self.inside["script"][of[0]])

    def policy(self) -> dict[str, str]:
        found = next(
            attrs["content"]
            for tag, attrs in self.elements
            if tag == "meta" and attrs.get("http-equiv") == "Content-Security-Policy"
        )
        rules = (rule.strip().split(" ", 1) for rule in (found or "").split(";"))
        return {rule[0]: rule[1] for rule in rules}


def unpack(packed: dict[str, Any]) -> list[Any]:
    """Unpack a column as the page does, written anew."""
    if "list" in packed:
        return packed["list"]
    numbers = packed.get("at") or []
    runs = packed.get("runs", [])
    for number, times in zip(runs[::2], runs[1::2], strict=True):
        numbers = numbers + [number] * times
    return [None if number < 0 else packed["words"][number] for number in numbers]
