"""The page in a real browser: no script of a name runs, nothing is fetched, and the page's own
policy would stop both even if they came in unspelt."""

from __future__ import annotations

import json
import shutil
import subprocess
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from made_job import MadeJob, rig

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "chrome"))), None)

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(BROWSER is None, reason="no browser here that works without a screen"),
]

RAN = "the script ran"


class Outside:
    """A server that keeps what is asked of it."""

    def __init__(self) -> None:
        asked: list[str] = []

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:  # the name is the library's
                asked.append(self.path)
                self.send_response(204)
                self.end_headers()

            def log_message(self, format: str, *args: object) -> None:
                pass

        self.asked = asked
        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_port}"
        threading.Thread(target=self.server.serve_forever, daemon=True).start()


@pytest.fixture
def outside() -> Iterator[Outside]:
    outside = Outside()
    yield outside
    outside.server.shutdown()


def attacks(url: str) -> list[str]:
    """Each at most as long as a name may be, or a note."""
    return [
        f"<script>document.title='{RAN}'</script>",
        f"<script src={url}/a></script>",
        f"<img src={url}/b>",
        f"<img src=x onerror=\"document.title='{RAN}'\">",
        f"<svg onload=\"document.title='{RAN}'\"></svg>",
        f"<style>@import '{url}/c'</style>",
        f"<link rel=stylesheet href={url}/d>",
        f"<iframe src={url}/e></iframe>",
        f"<meta http-equiv=refresh content='0;url={url}/f'>",
        f"<form action={url}/g><input autofocus onfocus=\"document.title='{RAN}'\"></form>",
        f"</style><script>document.title='{RAN}'</script>",
        f'"}} body{{background:url({url}/h)}} @bottom-left {{content:"',
        f"<base href={url}/i>",
        f"<object data={url}/j></object><video src={url}/k></video>",
    ]


def shown(page: str, folder: Path) -> str:
    """What the browser made of a page."""
    file = folder / "page.html"
    file.write_text(page, "utf-8")
    assert BROWSER
    done = subprocess.run(
        [
            *(BROWSER, "--headless", "--no-sandbox", "--disable-gpu"),
            *("--disable-background-networking", f"--user-data-dir={folder / 'browser'}"),
            *("--virtual-time-budget=3000", "--dump-dom", file.as_uri()),
        ],
        check=True,
        capture_output=True,
        timeout=120,
    )
    return done.stdout.decode("utf-8")


def title(dom: str) -> str:
    return dom.partition("<title>")[2].partition("</title>")[0]


@pytest.fixture
def page(outside: Outside, tmp_path: Path) -> str:
    """The page of a job whose notes are all attacks, and names as far as they hold them."""

    def hostile(text: str) -> str:
        short = f"<img src={outside.url}/n>"
        for old in ("upper", "Launch engine (example)"):
            text = text.replace(f'"{old}"', json.dumps(short))
        return text.replace("workshop manual, page 12", f"<script src={outside.url}/s></script>")

    made = MadeJob(tmp_path / "job", edit=hostile).find_tdc().state_stroke()
    for attack in attacks(outside.url):
        made.live.annotate("remark", {"text": attack})
        made.live.annotate("change", {"words": attack, "unit": attack})
    made.do("turn 800 at 110").end()
    assert rig("certify", made.folder).status in (0, 1)
    (file,) = made.folder.glob("certificates/*/*.html")
    return file.read_text("utf-8")


def test_nothing_runs_and_nothing_is_fetched(page: str, outside: Outside, tmp_path: Path) -> None:
    dom = shown(page, tmp_path)
    assert outside.asked == []
    assert title(dom) == title(page)
    assert "&lt;script&gt;document.title=" in dom  # it is there to be read


def test_the_policy_alone_stops_what_comes_in_unspelt(
    page: str, outside: Outside, tmp_path: Path
) -> None:
    """Markup put into the finished page; without the policy it runs and fetches, so this bites."""
    bodies = [a for a in attacks(outside.url) if "refresh" not in a]
    spoilt = page.replace("<main>", "<main>" + "".join(bodies), 1)
    dom = shown(spoilt, tmp_path)
    assert outside.asked == []
    assert title(dom) == title(page)
    begin = spoilt.index('<meta http-equiv="Content-Security-Policy"')
    bare = spoilt[:begin] + spoilt[spoilt.index(">", begin) + 1 :]
    dom = shown(bare, tmp_path)
    assert title(dom) == RAN
    assert {"/a", "/b", "/c", "/d"} <= set(outside.asked)
