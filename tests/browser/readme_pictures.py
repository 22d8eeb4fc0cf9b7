"""`make pictures`: the README's pictures, made by the demonstration: its console in a browser, a paper with rulers."""

from __future__ import annotations

import io
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from tests.browser.conftest import FLAGS

ROOT = Path(__file__).resolve().parent.parent.parent
PICTURES = ROOT / "server" / "demo" / "pictures"
# So far into the day that every machine prints again and the server has taken the late reports.
SHARE = re.compile(r"\] +(?P<percent>\d+)%")
AT_PERCENT = 86
STRIP_WIDTH_PX = 1400


def main() -> int:
    """Run the demonstration and take both pictures."""
    with sync_playwright() as playwright:
        demo = subprocess.Popen(
            [sys.executable, "-m", "server.demo", "--exit"], cwd=ROOT, stdout=subprocess.PIPE, text=True
        )
        os.nice(15)  # a browser that starts must not make the machines of the demonstration late
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        assert demo.stdout is not None
        address, taken, folder = "", False, "var/demo"
        for line in demo.stdout:
            print(line, end="", flush=True)
            if found := re.search(r"http://\S+", line):
                address, taken = found[0], False  # anew, where the demonstration begins once more, slower
            share = SHARE.search(line)
            if share and not taken and int(share["percent"]) >= AT_PERCENT:
                take_console(browser, address)
                taken = True
            if found := re.search(r"the report +(\S+)/report.json", line):
                folder = found[1]
        browser.close()
    take_strip(ROOT / folder / "heron-1-view.png")
    return demo.wait()


def take_console(browser: Browser, address: str) -> None:
    """A screenshot of the upper part of the page."""
    PICTURES.mkdir(exist_ok=True)
    page = browser.new_page(viewport={"width": 1440, "height": 1240})
    page.goto(address)
    page.wait_for_load_state("networkidle")  # the pictures on the page are drawn by the server
    with Image.open(io.BytesIO(page.screenshot())) as image:
        image.quantize(96, dither=Image.Dither.NONE).save(PICTURES / "console.png", optimize=True)


def take_strip(view: Path) -> None:
    """The paper's view, at a width that a page can show."""
    with Image.open(view) as image:
        size = (STRIP_WIDTH_PX, round(image.height * STRIP_WIDTH_PX / image.width))
        image.resize(size, Image.Resampling.LANCZOS).quantize(16).save(PICTURES / "strip.png", optimize=True)


if __name__ == "__main__":
    sys.exit(main())
