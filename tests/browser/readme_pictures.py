"""`make pictures`: the README's pictures, made by the demonstration: its pages in a browser, a paper with rulers."""

from __future__ import annotations

import io
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from machines.clock import CompressedClock
from server.demo.scenario import CLOCK_BEGINS
from tests.browser.conftest import FLAGS
from tests.server.processes import process, run, wait_for_line

ROOT = Path(__file__).resolve().parent.parent.parent
PICTURES = ROOT / "server" / "demo" / "pictures"
# So far into the day that every machine prints, two of them again, and before the server dies.
SHARE = re.compile(r"\] +(?P<percent>\d+)%")
AT_PERCENT = 50
STRIP_WIDTH_PX = 1400
# As wide as a paper shows a picture without making its words too small, and of so many dots for each of them.
PAGE_WIDTH, DOTS, BELOW_PX = 1100, 1.5, 20
COLOURS = 256


def main() -> int:
    """Run the demonstration and take the pictures."""
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
                take_page(browser, address, "section.wall", PICTURES / "console.png")
                taken = True
            if found := re.search(r"the report +(\S+)/report.json", line):
                folder = found[1]
        take_season(browser)
        browser.close()
    take_strip(ROOT / folder / "heron-1-view.png")
    return demo.wait()


def take_season(browser: Browser) -> None:
    """The demonstration's studio with runs of four weeks, as `dayroll demo-data` has them."""
    clock = CompressedClock(time.clock_gettime(time.CLOCK_BOOTTIME), CLOCK_BEGINS.timestamp(), 1.0)
    with tempfile.TemporaryDirectory() as folder:
        environment = {"DAYROLL_HOME": f"{folder}/home", "DAYROLL_CLOCK": clock.as_text()}
        assert run(["demo-data"], environment).returncode == 0
        log = Path(folder) / "log"
        with process(["-m", "server", "serve", "--port", "0"], environment, log) as server:
            address = wait_for_line(server, log, "Dayroll is at").split()[-1]
            take_page(browser, f"{address}season?months=2", ".legend", PICTURES / "season.png")


def take_page(browser: Browser, address: str, last: str, to: Path) -> None:
    """A screenshot of the upper part of a page, to the end of an element."""
    page = browser.new_page(viewport={"width": PAGE_WIDTH, "height": PAGE_WIDTH}, device_scale_factor=DOTS)
    page.goto(address)
    page.wait_for_load_state("networkidle")  # the pictures on the page are drawn by the server
    box = page.locator(last).bounding_box()
    assert box is not None
    clip = {"x": 0.0, "y": 0.0, "width": float(PAGE_WIDTH), "height": box["y"] + box["height"] + BELOW_PX}
    with Image.open(io.BytesIO(page.screenshot(full_page=True, clip=clip))) as image:
        image.quantize(COLOURS, dither=Image.Dither.NONE).save(to, optimize=True)
    page.close()


def take_strip(view: Path) -> None:
    """The paper's view, at a width that a page can show."""
    with Image.open(view) as image:
        size = (STRIP_WIDTH_PX, round(image.height * STRIP_WIDTH_PX / image.width))
        image.resize(size, Image.Resampling.LANCZOS).quantize(16).save(PICTURES / "strip.png", optimize=True)


if __name__ == "__main__":
    sys.exit(main())
