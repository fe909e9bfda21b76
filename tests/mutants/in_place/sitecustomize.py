"""A mutant that the kill test must catch: files are written under their final names, in place."""

import io
import time

from pipeline.files import landing
from pipeline.records import Artifact
from tests.slow_disk.sitecustomize import PAUSE_S


def land(path, content, root):
    written = io.BytesIO()
    written.writelines([content]) if isinstance(content, bytes) else content(written)
    data = written.getvalue()
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as stream:
        for start in range(0, len(data), 1 << 15):
            stream.write(data[start : start + (1 << 15)])
            stream.flush()
            time.sleep(PAUSE_S)
    digest = landing.PREFIX + landing.blake3(data).hexdigest()
    return Artifact(path.relative_to(root).as_posix(), digest, len(data))


landing.land = land
