"""Steps of a test in the athlete's page: wait for a state of the page, press a key, read a number."""

from __future__ import annotations

import waiting


def until(page, expression, arg=None):
    """Wait for a condition in the page. Playwright's own way would need eval, which the page's policy forbids."""
    return waiting.until(lambda: page.evaluate(expression, arg), expression)


def drawn(page):
    """Wait until what the page knows now is on the screen."""
    page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")


def at_stage(page, name):
    page.wait_for_selector(f"body[data-stage={name}]")


def at_phase(page, name, side="right"):
    page.wait_for_selector(f".arm[aria-label='{side} arm'][data-phase={name}]")


def number_of(page, part):
    return int(page.locator(f".arm .{part} b").inner_text())


def leave_effort(page):
    """How hard the set was stays unrated; what is due comes next."""
    at_stage(page, "effort")
    page.click("#effort-not-rated")
    press(page, " ", "ready")


def press(page, key, stage):
    page.keyboard.press(key)
    at_stage(page, stage)
