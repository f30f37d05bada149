"""The clips in a real browser: offered only where a disc has some; opened, clicked, closed."""

from pathlib import Path
from typing import Any

import browser_kit as kit
import pytest
from clips_kit import clips_folder, write_tiff
from clips_simulator import make_clip
from folder_kit import write_folder

from engine.analysis import analyse_store
from engine.importing import import_folder

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(bool(kit.why_no_browser()), reason=kit.why_no_browser()),
]

SHOWN = (
    "() => { const box = document.getElementById('clips').getBoundingClientRect();"
    " return box.height > 300 }"
)


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Any:
    home = tmp_path_factory.mktemp("clips")
    folder = clips_folder(home / "filmed", [{"file": "s.tif", "pixel_size_um": 1.0}])
    write_tiff(folder / "s.tif", make_clip("string", 6, 12).frames, compression="zlib")
    import_folder(folder, home / "filmed.zarr")
    analyse_store(home / "filmed.zarr")
    plain = write_folder(home / "plain", changes={"disc": {"id": "plain-1"}})
    import_folder(plain, home / "plain.zarr")
    with kit.viewer([home / "filmed.zarr", home / "plain.zarr"], Path(home) / "log.txt") as url:
        yield url


def test_offered_opened_and_closed(address: str) -> None:
    with kit.browser() as window:
        page, seen = kit.new_page(window)
        kit.open_view(page, address)
        button = page.locator("#clips-open")
        assert button.is_visible()
        assert not page.evaluate(SHOWN)
        button.click()
        page.wait_for_function(SHOWN)
        page.get_by_text("Research only.", exact=False).first.wait_for()
        page.get_by_text("Sharpest frame of each stretch", exact=False).first.wait_for()
        page.wait_for_function("() => location.search.includes('e=1')")
        page.locator("#clips > button").click()
        page.wait_for_function(f"() => !({SHOWN})()")
        page.locator("#disc").select_option("plain-1")
        page.wait_for_function("() => document.getElementById('clips-open').hidden")
        seen.check()
        page.close()
