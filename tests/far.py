"""How high letters of the page are for who stands three metres away from a ten inch tablet.

Assumed: the panel is 217 mm wide, whatever it is told as in CSS pixels; the letter height is that of the font's
capital H where a text is written in capitals and digits, else that of its x.
"""

from __future__ import annotations

import math

PANEL_MM = 217.0
DISTANCE_MM = 3000.0
# What a text is measured by: drawn into a canvas in the font that the page shows it in.
MEASURE = """(selectors) => selectors.flatMap((selector) => [...document.querySelectorAll(selector)]).filter((e) =>
    e.textContent.trim() && e.checkVisibility({ opacityProperty: true, visibilityProperty: true })).map((e) => {
  const pen = (window.far_pen ??= document.createElement('canvas').getContext('2d'));
  const range = document.createRange();
  const inner = e.querySelector('.squeezed') ?? e;
  const style = getComputedStyle(inner);
  const shown = style.textTransform === 'uppercase' ? e.textContent.toUpperCase() : e.textContent;
  pen.font = `${style.fontStyle} ${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
  // A transformation turns or squeezes nothing but the width here; its height scale is taken from the box.
  const scale = inner.offsetHeight ? inner.getBoundingClientRect().height / inner.offsetHeight : 1;
  const letter = (name) => pen.measureText(name).actualBoundingBoxAscent * scale;
  range.selectNodeContents(inner);
  const lines = [...range.getClientRects()].filter((r) => r.width > 0);
  const capital = letter('H');
  // The capitals of a line stand in the middle of its box, within a few pixels.
  const covered = lines.flatMap((r) => [r.left + 2, (r.left + r.right) / 2, r.right - 2].flatMap((x) =>
    [-0.42, 0, 0.42].map((share) => {
      const y = (r.top + r.bottom) / 2 + share * capital;
      const top = document.elementFromPoint(x, y);
      if (top === null) return 'the edge';
      const box = top.getBoundingClientRect();
      // Of another line that room is hit, too, in which its letters have nothing: it is outside that line's box.
      const beside = y < box.top || y > box.bottom;
      return e.contains(top) || top.contains(e) || beside ? '' : top.className || top.id;
    }))).find((by) => by !== '') ?? null;
  return { shown: shown.trim(), capital, x: letter('x'), small: shown !== shown.toUpperCase(), covered };
})"""


def arcmin(height_px: float, width_px: float) -> float:
    """The angle of a height on a panel of width_px CSS pixels, in minutes of arc."""
    return 60.0 * math.degrees(math.atan(height_px * PANEL_MM / width_px / DISTANCE_MM))


def letters(page, *selectors: str) -> list[dict]:
    """Of each text that is shown: how it is written, and the heights of its letters, arcmin."""
    width_px = page.viewport_size["width"]
    found = page.evaluate(MEASURE, list(selectors))
    return [one | {key: arcmin(one[key], width_px) for key in ("capital", "x")} for one in found]
