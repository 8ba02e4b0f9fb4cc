"""A child process that imports a file and kills itself on the way; tests look at what is left.

python importer.py FILE LOG SQL     kill -9 before the statement that begins like this
"""

from __future__ import annotations

import os
import signal
import sqlite3
import sys
from pathlib import Path

from joblog import merge
from joblog.importing import import_file


def main() -> None:
    file, log, sql = sys.argv[1:]
    connect = merge.connect_to_merge

    def watched(target: Path, busy_s: float) -> sqlite3.Connection:
        def stop(statement: str) -> None:
            if statement.startswith(sql):
                os.kill(os.getpid(), signal.SIGKILL)

        connection = connect(target, busy_s)
        connection.set_trace_callback(stop)
        return connection

    merge.connect_to_merge = watched
    import_file(Path(file), Path(log))


if __name__ == "__main__":
    main()
