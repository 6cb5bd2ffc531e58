"""Why the records cannot be read or written now, in words for everybody who uses them.

Sources: result codes of SQLite (https://www.sqlite.org/rescode.html), SQLSTATE of PostgreSQL (appendix A).
"""

from __future__ import annotations

from sqlalchemy.exc import DataError, DBAPIError, IntegrityError, ProgrammingError
from sqlalchemy.exc import TimeoutError as NoConnection

from sim.vehicle.problems import Problem

OTHER_VERSION = "they are of another version"
SQLITE = {
    1: OTHER_VERSION,  # SQLITE_ERROR: a table or column is missing
    5: "another program holds them",  # SQLITE_BUSY
    6: "another program holds them",  # SQLITE_LOCKED
    8: "they may not be written to",  # SQLITE_READONLY
    10: "their disk cannot be read or written",  # SQLITE_IOERR
    11: "their file is damaged",  # SQLITE_CORRUPT
    13: "their disk is full",  # SQLITE_FULL
    14: "their file cannot be opened; its folder is missing or may not be written to",  # SQLITE_CANTOPEN
    26: "their file is no database",  # SQLITE_NOTADB
}
POSTGRESQL = {
    "25006": "they may not be written to",  # read_only_sql_transaction
    "53100": "their disk is full",  # disk_full
    "53300": "their server has no connection free",  # too_many_connections
    "42703": OTHER_VERSION,  # undefined_column
    "42P01": OTHER_VERSION,  # undefined_table
    "55P03": "another program holds them",  # lock_not_available
    "57014": "another program holds them",  # query_canceled
}
SQLITE_EXTENDED = {
    4874: SQLITE[13],  # SQLITE_IOERR_SHMSIZE: no room for the index of the write-ahead log
}
NO_ANSWER = "their server does not answer"


class OutOfReach(Problem):
    """The records cannot be opened now; `why` is for everybody, the sentence for who runs the server."""

    def __init__(self, error: BaseException, said: str) -> None:
        self.why = why_out_of_reach(error) or NO_ANSWER
        super().__init__(f"the records cannot be opened: {self.why} ({said})")


def why_out_of_reach(error: BaseException) -> str:
    """Why the records cannot be reached, without names of hosts or files; empty for any other error."""
    if isinstance(error, OutOfReach):
        return error.why
    if isinstance(error, NoConnection):
        return NO_ANSWER
    if not isinstance(error, DBAPIError) or isinstance(error, IntegrityError | DataError):
        return ""
    code = getattr(error.orig, "sqlite_errorcode", None)
    if code is not None:
        primary = SQLITE.get(code & 0xFF, "their file cannot be used")  # in the low byte
        return SQLITE_EXTENDED.get(code, primary)
    otherwise = "" if isinstance(error, ProgrammingError) else NO_ANSWER
    return POSTGRESQL.get(str(getattr(error.orig, "sqlstate", "")), otherwise)
