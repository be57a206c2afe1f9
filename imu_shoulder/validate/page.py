"""A research report: one HTML file without scripts that needs no network and no other file."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import jinja2
from markupsafe import Markup

if TYPE_CHECKING:
    from imu_shoulder.validate.figures import Picture


@dataclass(frozen=True, slots=True)
class Table:
    """Head and rows as they are to be read."""

    caption: str
    head: Sequence[str]
    rows: Sequence[Sequence[str]]


@dataclass(slots=True)
class Section:
    title: str
    sentences: list[str] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)
    pictures: list[Picture] = field(default_factory=list)


_STYLE = """
body{font:16px/1.5 system-ui,sans-serif;color:#1a1a1a;background:#fff;max-width:66rem;margin:0 auto;padding:1.5rem}
h1{font-size:1.6rem;margin:0 0 .3rem}h2{font-size:1.2rem;margin:2rem 0 .4rem;border-top:1px solid #ccc;padding-top:1rem}
p{margin:.35rem 0;max-width:48rem}.lead{font-size:1.05rem}.pictures{display:flex;flex-wrap:wrap;gap:1rem}
.pictures img{max-width:100%;height:auto}.wide{overflow-x:auto}
table{border-collapse:collapse;margin:.8rem 0;font-size:.9rem}caption{text-align:left;font-weight:600;padding:.2rem 0}
th,td{border-bottom:1px solid #ddd;padding:.25rem .7rem .25rem 0;text-align:left;vertical-align:top}
td{font-variant-numeric:tabular-nums}details{margin-top:2rem}
"""
_TEMPLATE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy"
 content="default-src 'none'; img-src data:; style-src 'sha256-{{ style_hash }}'; base-uri 'none'; form-action 'none'">
<title>{{ title }}</title>
<style>{{ style }}</style>
</head>
<body>
<h1>{{ title }}</h1>
{% for sentence in lead %}
<p class="lead">{{ sentence }}</p>
{% endfor %}
{% for section in sections %}
<h2>{{ section.title }}</h2>
{% for sentence in section.sentences %}
<p>{{ sentence }}</p>
{% endfor %}
{% for table in section.tables %}
{{ draw(table) }}
{% endfor %}
{% if section.pictures %}
<div class="pictures">
{% for picture in section.pictures %}
<img src="data:image/svg+xml;base64,{{ encode(picture.svg) }}" alt="{{ picture.alt }}">
{% endfor %}
</div>
{% endif %}
{% endfor %}
<details>
<summary>Where this comes from: files, versions, parameters</summary>
{{ draw(origin) }}
</details>
</body>
</html>
"""
_TABLE = """<div class="wide"><table>
<caption>{{ caption }}</caption>
<tr>{% for cell in head %}<th scope="col">{{ cell }}</th>{% endfor %}</tr>
{% for row in rows %}
<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>
{% endfor %}
</table></div>"""


def build_page(title: str, lead: Sequence[str], sections: Sequence[Section], origin: Mapping[str, Any]) -> str:
    """The page as text. origin: nested mapping of hashes, versions and parameters."""
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True)
    table_template = environment.from_string(_TABLE)

    def draw(table: Table) -> Markup:
        return Markup(table_template.render(caption=table.caption, head=table.head, rows=table.rows))

    return environment.from_string(_TEMPLATE).render(
        title=title,
        lead=lead,
        sections=sections,
        style=Markup(_STYLE),
        style_hash=base64.b64encode(hashlib.sha256(_STYLE.encode()).digest()).decode(),
        encode=lambda svg: base64.b64encode(svg.encode()).decode(),
        draw=draw,
        origin=Table("Origin", ("what", "value"), _flat(origin)),
    )


def _flat(values: Mapping[str, Any], before: str = "") -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    for key, value in values.items():
        name = f"{before}.{key}" if before else str(key)
        rows += _flat(value, name) if isinstance(value, Mapping) else [(name, str(value))]
    return rows
