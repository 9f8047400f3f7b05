"""What axe finds on a page in a browser, in light and in dark."""

from typing import TYPE_CHECKING, Any, Literal

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Page

__all__ = ["complaints_of_axe"]

SCHEMES: tuple[Literal["light", "dark"], ...] = ("light", "dark")
ALL_RULES: dict[str, Any] = {"resultTypes": ["violations"]}
OF_COLOURS: dict[str, Any] = ALL_RULES | {"runOnly": ["color-contrast", "link-in-text-block"]}


def complaints_of_axe(page: "Page") -> list[tuple[str, str, str]]:
    """(scheme, rule, the element) of every violation, as the page stands; skips where axe is not installed.

    Dark has other colours, and of pictures another drawing (class "night"): a page without such a picture needs in
    dark no rule but axe's two of colours.
    """
    checker = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed")
    page.evaluate(checker.Axe().axe_script)
    pictured = page.locator(".night").count() > 0
    found: list[tuple[str, str, str]] = []
    for scheme in SCHEMES:
        page.emulate_media(color_scheme=scheme, reduced_motion="reduce")  # no colour on its way to another
        rules = ALL_RULES if scheme == "light" or pictured else OF_COLOURS
        violations = page.evaluate("(rules) => axe.run(rules).then((found) => found.violations)", rules)
        found += [(scheme, one["id"], one["nodes"][0]["html"]) for one in violations]
    return found
