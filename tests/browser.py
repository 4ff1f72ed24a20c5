"""The installed Chromium, without a network, and what went wrong in a page it showed."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome-stable", "google-chrome")
NO_BROWSER = (
    "no Chromium is installed (Debian: apt-get install chromium), so no map page was opened, "
    "searched or clicked"
)


def installed() -> str | None:
    """Return the path of the installed Chromium; None without one. None is ever fetched."""
    return next(filter(None, map(shutil.which, NAMES)), None)


@contextmanager
def browser() -> Iterator[Browser]:
    """Start the installed Chromium with every name of the network unknown to it."""
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=installed(),
            args=["--no-sandbox", "--host-resolver-rules=MAP * ~NOTFOUND"],
        )
        yield started
        started.close()


@dataclass
class Watched:
    """An open page, with what it asked of the network and what it complained about."""

    page: Page
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def outside(self) -> list[str]:
        """Return the requests that are neither for the page's own file nor for data inside it."""
        return [url for url in self.requests if not url.startswith(("file:", "data:"))]


@contextmanager
def opened(
    started: Browser,
    file: Path,
    *,
    width: int = 1200,
    height: int = 800,
    touch: bool = False,
    script: str = "",
    ready: str = "body[data-ready]",
) -> Iterator[Watched]:
    """Open a file offline and wait until its map is drawn, or what `ready` selects is there.

    `script` runs before the page's own.
    """
    context = started.new_context(
        viewport={"width": width, "height": height}, offline=True, has_touch=touch
    )
    page = context.new_page()
    page.add_init_script(script)
    watched = Watched(page)
    page.on("request", lambda request: watched.requests.append(request.url))
    page.on("pageerror", lambda error: watched.complaints.append(str(error)))
    page.on(
        "console",
        lambda said: (
            watched.complaints.append(said.text) if said.type in ("error", "warning") else None
        ),
    )
    page.goto(file.as_uri())
    page.wait_for_selector(ready, state="attached")
    yield watched
    context.close()


def colours(page: Page) -> set[str]:
    """Return the colours on the map's canvas, as #RRGGBB."""
    found = page.evaluate(
        """() => {
            const canvas = document.querySelector(".leaflet-overlay-pane canvas");
            const ctx = canvas.getContext("2d");
            const data = ctx.getImageData(0, 0, canvas.width, canvas.height).data;
            return [...new Set(new Uint32Array(data.buffer))];
        }"""
    )
    return {"#" + each.to_bytes(4, "little")[:3].hex().upper() for each in map(int, found)}
