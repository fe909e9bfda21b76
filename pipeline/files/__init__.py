"""Everything that touches image files: reading originals, writing masters and deliveries.

The only users of rawpy, tifffile, the encoders and exiftool; knows nothing of jobs or the manifest.
"""
