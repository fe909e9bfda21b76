"""A mutant that the kill test must catch: a file comes a moment after its row."""

import io
import threading
import time

from pipeline.files import landing
from pipeline.records import Artifact
from tests.slow_disk.sitecustomize import PAUSE_S

whole = landing.land


def land(path, content, root):
    written = io.BytesIO()
    written.writelines([content]) if isinstance(content, bytes) else content(written)
    data = written.getvalue()

    def later():
        time.sleep(10 * PAUSE_S)
        whole(path, data, root)

    threading.Thread(target=later).start()
    digest = landing.PREFIX + landing.blake3(data).hexdigest()
    return Artifact(path.relative_to(root).as_posix(), digest, len(data))


landing.land = land
