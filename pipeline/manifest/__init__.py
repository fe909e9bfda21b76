"""The manifest: what is known of a job and what was done, in one SQLite file in its folder.

Nothing else in Safelight uses SQLite. Nothing here knows recipes, pixels or the files that the
rows speak of.
"""

from pipeline.manifest.connection import NoManifest
from pipeline.manifest.schema import MANIFEST_NAME
from pipeline.manifest.store import Manifest

__all__ = ["MANIFEST_NAME", "Manifest", "NoManifest"]
