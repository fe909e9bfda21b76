"""The page that goes with a bag: what is in it, for a client without network, script or font.

Whoever wrote the names in it may be hostile, so that every one goes through ``marks.text``.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Mapping
from urllib.parse import quote

from pipeline.moments import day_of
from pipeline.parcel import Change, Parcel, counted_changes, size_in_words
from pipeline.proof.marks import picture, text
from pipeline.records import PackedFile

CSS = """
:root {
  color-scheme: light dark;
  --paper: #faf9f6; --ink: #1e1e1c; --soft: #62615c; --line: #d9d7d0; --mat: #eeece6;
}
@media (prefers-color-scheme: dark) {
  :root { --paper: #1b1b1a; --ink: #e8e6e1; --soft: #a5a39c; --line: #3d3c39; --mat: #262625; }
}
* { box-sizing: border-box; }
body {
  margin: 0 auto; padding: 3rem 1.5rem 4rem; max-width: 76rem;
  background: var(--paper); color: var(--ink);
  font: 15px/1.5 system-ui, "Helvetica Neue", Arial, sans-serif;
  font-variant-numeric: tabular-nums;
}
h1, h2 { font-weight: 600; line-height: 1.2; margin: 0; overflow-wrap: anywhere; }
h1 { font-size: 2rem; }
h2 { font-size: 1.15rem; margin-top: 3rem; padding-top: 1rem; border-top: 1px solid var(--line); }
p { margin: .4rem 0; max-width: 46rem; }
.soft { color: var(--soft); }
a { color: inherit; }
dl {
  display: grid; grid-template-columns: max-content 1fr; gap: .15rem 1.4rem; margin: 1.4rem 0 0;
}
dt { color: var(--soft); }
dd { margin: 0; overflow-wrap: anywhere; }
ul { padding-left: 1.1rem; margin: .6rem 0; }
li { max-width: 60rem; overflow-wrap: anywhere; }
.grid {
  display: grid; grid-template-columns: repeat(auto-fill, minmax(15rem, 1fr)); gap: 2rem 1.5rem;
  margin-top: 1.5rem;
}
figure { margin: 0; min-width: 0; }
figure a {
  display: flex; align-items: center; justify-content: center; aspect-ratio: 4 / 3;
  background: var(--mat); padding: .6rem;
}
figure a:focus-visible { outline: 2px solid var(--ink); outline-offset: 2px; }
img { display: block; max-width: 100%; max-height: 100%; }
figcaption { font-size: .86rem; margin-top: .55rem; overflow-wrap: anywhere; }
figcaption b { display: block; font-weight: 600; }
figcaption span { display: block; color: var(--soft); }
.tag {
  border: 1px solid var(--soft); border-radius: 2px; padding: 0 .35em; margin-left: .5em;
  white-space: nowrap;
}
code { font: .9em ui-monospace, Menlo, Consolas, monospace; overflow-wrap: anywhere; }
@page { margin: 14mm; }
@media print {
  :root { --paper: #fff; --ink: #000; --soft: #444; --line: #bbb; --mat: #fff; }
  body { padding: 0; max-width: none; font-size: 10pt; }
  .grid { grid-template-columns: repeat(3, 1fr); gap: 6mm; }
  figure { break-inside: avoid; }
  figure a { padding: 0; }
}
"""
_STYLE = base64.b64encode(hashlib.sha256(CSS.encode()).digest()).decode()
POLICY = (
    f"default-src 'none'; img-src data:; style-src 'sha256-{_STYLE}'; base-uri 'none'; "
    "form-action 'none'"
)
"""Nothing is loaded and nothing runs: only what the page holds (W3C Content Security Policy 3)."""


def page(parcel: Parcel, pictures: Mapping[str, bytes]) -> str:
    """The whole page; ``pictures`` are small JPEGs by frame."""
    found = parcel.changes
    parts = [*_head(parcel), *_changed(parcel, found), *_grid(found, parcel, pictures)]
    parts += _checking()
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        '<meta name="referrer" content="no-referrer">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{text(parcel.title)}</title>\n<style>{CSS}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(parts)
        + "\n</main>\n</body>\n</html>\n"
    )


def _head(parcel: Parcel) -> Iterator[str]:
    total = sum(file.size_bytes for file in parcel.files)
    count = len(parcel.files)
    facts = {
        "For": parcel.client,
        "From": parcel.sender,
        "Delivery": f"{parcel.delivery}, packed {day_of(parcel.at)} as {parcel.name}",
        "Pictures": f"{count}, {size_in_words(total)} together",
    }
    rows = "".join(
        f"<dt>{text(label)}</dt><dd>{text(value)}</dd>" for label, value in facts.items() if value
    )
    sheet = '<a href="proof.pdf">proof.pdf</a>, to print; <a href="changes.txt">changes.txt</a>'
    yield f'<header><p class="soft">Pictures delivered</p><h1>{text(parcel.job)}</h1>'
    yield f"<dl>{rows}<dt>Also here</dt><dd>{sheet}</dd></dl></header>"


def _changed(parcel: Parcel, found: list[Change]) -> Iterator[str]:
    if parcel.previous is None:
        return
    yield f"<h2>What changed since {text(parcel.previous.name)}</h2>"
    yield f"<p>{text(counted_changes(found))}.</p>"
    lines = [change for change in found if change.what != "unchanged"]
    if lines:
        yield "<ul>" + "".join(f"<li>{_line(change)}</li>" for change in lines) + "</ul>"


def _line(change: Change) -> str:
    file = change.file or change.before
    assert file is not None
    return f"{text(file.file)}: {text(change.in_words)}"


def _grid(found: list[Change], parcel: Parcel, pictures: Mapping[str, bytes]) -> Iterator[str]:
    yield "<h2>The pictures</h2>"
    yield '<div class="grid">'
    for change in found:
        if change.file is not None:
            yield _figure(change, change.file, parcel, pictures[change.frame])
    yield "</div>"


def _figure(change: Change, file: PackedFile, parcel: Parcel, jpeg: bytes) -> str:
    said = parcel.texts.get(file.frame, "")
    fresh = parcel.previous is not None and change.what != "unchanged"
    tag = f'<i class="tag">{text(change.in_words)}</i>' if fresh else ""
    shown = f"<span>{text(said)}</span>" if said else ""
    colours = parcel.colours.get(file.frame, "")
    measured = f"<span>{text(colours)}</span>" if colours else ""
    return (
        f'<figure><a href="{text(quote(file.file))}">{picture(jpeg, said or file.frame, "small")}'
        f"</a><figcaption><b>{text(file.file)}</b>"
        f"<span>frame {text(file.frame)}, v{file.version}{tag}</span>"
        f"<span>{file.width} × {file.height} pixels, {size_in_words(file.size_bytes)}</span>"
        f"{measured}{shown}</figcaption></figure>"
    )


def _checking() -> Iterator[str]:
    yield "<h2>Did everything arrive whole?</h2>"
    yield (
        "<p>This folder is part of a bag (BagIt, RFC 8493). In the folder around it, "
        "<code>sha256sum -c manifest-sha256.txt</code> (on a Mac "
        "<code>shasum -a 256 -c manifest-sha256.txt</code>) reads every file again and names each "
        "that is not as it was packed.</p>"
    )
