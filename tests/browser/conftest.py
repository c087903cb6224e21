"""A browser with the page in it; skipped, with the reason, where there is none."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Self

import numpy as np
import pytest
from made_trip import PictureMaker, made_report

from audit.report.page import write_page

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PATIENCE_MS = 15_000

NAMES = ("chromium", "chromium-browser", "google-chrome")


def browser_path() -> str | None:
    """Browser of the system, or the one that ``FRAME_AUDIT_BROWSER`` names."""
    named = os.environ.get("FRAME_AUDIT_BROWSER")
    return named or next((path for name in NAMES if (path := shutil.which(name))), None)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    path = browser_path()
    if path is None:
        pytest.skip("no browser: install chromium, or name one in FRAME_AUDIT_BROWSER")
    with api.sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture(scope="session", params=["folder", "one file"])
def address(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> str:
    folder: Path = tmp_path_factory.mktemp("page")
    pictures = PictureMaker(np.random.default_rng(0))
    write_page(made_report(30), pictures, folder, single_file=request.param == "one file")
    return (folder / "index.html").as_uri()


class Visit:
    """One look at a page, and all that it said and asked for."""

    def __init__(self, browser: Any, address: str, **options: Any) -> None:
        self.context = browser.new_context(**options)
        self.page = self.context.new_page()
        self.page.set_default_timeout(PATIENCE_MS)
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("dialog", lambda dialog: self.said.append(dialog.message) or dialog.dismiss())
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(address)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.context.close()

    def shown(self) -> list[str]:
        """Ids of the frames that are not hidden, in order."""
        return list(
            self.page.eval_on_selector_all(
                ".frame", "all => all.filter(f => !f.hidden).map(f => f.id)"
            )
        )
