"""How soon the page follows a hand: from a movement of the mouse to new curves in a browser. Part of `make bench`."""

import statistics
import tempfile
import time
from pathlib import Path

from commandline import DESIGN, TARGET
from workbenches import CHROMIUM, OBLONG, browser, served

MOVES = 50


def pulled(page, handle: str) -> tuple[float, float, float]:
    """Median over movements of the seconds to new curves, the seconds to the exact ones after it is let go, and to what
    is known of their error.
    """
    box = page.locator(handle).bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    number = "document.getElementById('setting').dataset.number"
    page.mouse.move(x, y)
    page.mouse.down()
    times = []
    for step in range(MOVES):
        before = page.evaluate(number)
        began = time.monotonic()
        page.mouse.move(x + 1 + step % 5, y - 1 - step % 5)
        page.wait_for_selector(f'#setting:not([data-number="{before}"])')
        times.append(time.monotonic() - began)
    before = page.evaluate(number)
    began = time.monotonic()
    page.mouse.up()
    full = f'#setting[data-setting="full"]:not([data-number="{before}"])'
    page.wait_for_selector(full, timeout=60_000)
    exact = time.monotonic() - began
    page.wait_for_selector(f'{full}[data-checked="true"]', timeout=60_000)
    return statistics.median(times), exact, time.monotonic() - began


def main() -> None:
    if CHROMIUM is None:
        print("The page: there is no Chromium here")
        return
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        (folder / "cone.toml").write_text(DESIGN)
        (folder / "oblong.toml").write_text(OBLONG)
        (folder / "target.toml").write_text(TARGET)
        for name, handle, more in (
            ("cone", '#walls [aria-label="depth"]', ("--target", "target.toml")),
            ("oblong", '#wall-horizontal [aria-label="horizontal wall angle"]', ()),
        ):
            with served(f"{name}.toml", *more, folder=folder) as page, browser() as chromium:
                shown = chromium.new_page()
                shown.set_viewport_size({"width": 1400, "height": 900})
                shown.goto(page.address)
                shown.wait_for_selector('#setting[data-setting="full"]', timeout=120_000)
                shown.wait_for_timeout(1000)
                began = time.monotonic()
                again = chromium.new_page()
                again.goto(page.address)
                again.wait_for_selector("#setting[data-setting]")
                ready = time.monotonic() - began
                again.close()
                shown.bring_to_front()
                follow, exact, checked = pulled(shown, handle)
                print(
                    f"The page, {name}: ready in {ready:.2f} s; {MOVES} movements followed in {1e3 * follow:.0f} ms"
                    f" (median), exact {exact:.2f} s after it is let go, their error known after {checked:.2f} s"
                )


if __name__ == "__main__":
    main()
