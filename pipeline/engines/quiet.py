"""What Prefect and Dask read from the environment when they are imported, here and by the workers
that are started here. Nobody is told that they are used, and what they have to say to a terminal is
said by whoever runs the flow.
"""

from __future__ import annotations

import os

DEFAULTS = {
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "PREFECT_SERVER_EPHEMERAL_ENABLED": "false",
    "PREFECT_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_INTERNAL_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_LOGGING_TO_API_ENABLED": "false",
    "DASK_LOGGING__DISTRIBUTED": "critical",
    # it samples the waiting thread all the time, for a page that nobody looks at
    "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "False",
}

for name, value in DEFAULTS.items():
    os.environ.setdefault(name, value)
