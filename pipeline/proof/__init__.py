"""Colour that can be proved: what delivered files show, against what they should show.

Measures files as they lie on disk, compares, and words the result as JSON and as a page. It knows
nothing of jobs, recipes or the manifest: whoever calls it says what lies where, in plain records.
"""
