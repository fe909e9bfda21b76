"""A new job: a folder with files that explain themselves."""

from __future__ import annotations

import shlex
from pathlib import Path

from pipeline.errors import CannotWrite, InvalidInput, Problem
from pipeline.naming import slug

JOB = """\
# job.yaml: one commission. Safelight reads it, and never writes to it.
#
# The steps that make its pictures come from three places, and the later one wins: the recipe named
# below, then setups/NAME.yaml for frames under one light, then frames/NAME.yaml for one frame.

job: "{name}"
client: {client}

# A house recipe ({recipes}),
# or the path of a recipe inside this folder.
recipe: plain

# Which frames are finished. `safelight rate` gives ratings: -1 rejected, 0 unrated, 1 to 5.
selects: rating >= 4

# What to add to what a body's clock noted, by its serial number or its name: "0042": +00:03:12
clocks: {{}}

# Who made the pictures and what may be done with them; written into every delivered file. These
# are your words to your client; nothing here is legal advice.
credit:
  creator:
  credit_line:
  copyright:
  usage_terms:
  web_statement:
  contact: {{}}       # address, city, region, postal_code, country, email, phone, web
  licensor: {{}}      # name, url, id, email
  data_mining:      # prohibited, allowed, ...: whether machines may learn from the pictures

# What the pictures show, in a sentence, and words to find them by. Setups and frames may say it
# again under the same keys; texts may hold {{job}}, {{frame}} and the like.
description:
keywords: []
caption: {{}}         # headline, title, alt_text, extended_description, job_id, instructions
location: {{}}        # place, city, region, country, country_code

# The shot list: what the client asked for. `safelight assign` says which frames serve which shot,
# `safelight status` which have no select yet.
# hero: {{product: red lamp, use: poster, orientation: portrait, count: 1}}
shots: {{}}

# Sets of output files: safelight deliver NAME
deliveries:
  web:
    format: jpeg
    quality: 90
    long_edge: 2048
    space: srgb
    sharpen_for: screen  # or matte, gloss, none
    name: "{{job}}_{{seq:03}}_{{frame}}"
  print:
    format: tiff
    bits: 16
    scale: 1
    space: adobe-rgb
    name: "{{job}}_{{frame}}"
"""

SETUP = """\
# setups/NAME.yaml: what frames shot under one light share. Copy this file and name it for the light
# (its name and `setup:` are the same), list the frames, and take the # away.
#
# setup: daylight
# frames: [IMG_0001, "IMG_00[02-19]"]      # names, ranges, globs
# adjust:                                  # counts in place of the recipe's, value by value
#   - balance: {kelvin: 5200, duv: 0.002}  # or {neutral: [0.41, 0.63]}, or {from: as-shot}
#   - expose: {stops: 0.3}
"""

FRAME = """\
# frames/NAME.yaml: what is special about one frame. Copy this file, name it like the frame, and
# take the # away.
#
# frame: IMG_0007
# adjust:                                  # counts in place of the setup's and the recipe's
#   - expose: {stops: 0.4}
# retouch:                                 # for the retoucher; `safelight handoff --to NAME`
#   ask:
#     - {what: take out the cable, where: {polygon: [[0.1, 0.2], [0.3, 0.2], [0.2, 0.6]]}}
#   due: 2026-05-20
# caption: {alt_text: what it shows, for those who do not see it}
# releases: {people: true, model_release: unlimited, model_release_ids: [A-1]}
"""


def write_new_job(folder: Path) -> None:
    """Write the files of a new job into a folder that is new or empty."""
    from pipeline.job import NOBODY
    from pipeline.recipe import house_recipes

    try:
        if folder.exists() and any(folder.iterdir()):
            found = "the folder is there already and is not empty"
            raise InvalidInput([Problem(str(folder), 0, "", found, "a new folder")])
        name = slug(folder.resolve().name) or "job"
        files = {
            "job.yaml": JOB.format(client=NOBODY, name=name, recipes=", ".join(house_recipes())),
            "setups/example.yaml.txt": SETUP,
            "frames/example.yaml.txt": FRAME,
        }
        for path, text in files.items():
            (folder / path).parent.mkdir(parents=True, exist_ok=True)
            (folder / path).write_text(text, encoding="utf-8")
    except OSError as error:
        raise CannotWrite(f"{folder}: cannot be made: {error.strerror}") from error
    there = shlex.quote(str(folder))
    print(f"{folder}: a new job. Fill in job.yaml, then: cd {there}; safelight ingest CARD")
