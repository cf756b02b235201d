"""Take README's pictures anew: `python -m tests.browser.pictures`.  Look at each before it is committed."""

from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory

from PIL import Image
from playwright.sync_api import ViewportSize

from app.paths import STATIC
from tests.browser.driver import EYES, HANDS, Tablet, a_browser, served
from tests.browser.stage import Staged

TAKEN: ViewportSize = {"width": 800, "height": 1280}
SHOWN = (420, 672)
COLOURS = 256
PICTURES = {"open": ("Take the door off", HANDS), "verify": ("Count the ties, then the bands", EYES)}
"""The step on each picture, and who looks at it."""


def main() -> None:
    """Bring a job to each step and take its picture, small and with a palette."""
    with TemporaryDirectory() as folder, served(Path(folder)) as (address, running), a_browser() as browser:
        staged = Staged(running)
        for name, (words, who) in PICTURES.items():
            staged.do_until(words)
            tablet = Tablet(browser.new_page(viewport=TAKEN), address)
            tablet.sign_in(who)
            tablet.go(f"/jobs/{staged.job}/now")
            tablet.page.wait_for_load_state("networkidle")
            with Image.open(BytesIO(tablet.page.screenshot())) as whole:
                small = whole.convert("RGB").resize(SHOWN, Image.Resampling.LANCZOS)
            path = STATIC / "readme" / f"{name}.png"
            small.quantize(COLOURS, dither=Image.Dither.NONE).save(path, optimize=True)
            print(f"{path.name}: {path.stat().st_size} bytes")


if __name__ == "__main__":
    main()
