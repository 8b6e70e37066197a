"""Ask the daemon and its logbook, with nothing but Python: for install.sh.

``probe CONFIG`` prints the state and the health; ``logbook CONFIG`` the path of the logbook;
``schema COPY`` the format of a copy; ``copy FILE`` the logbook itself, whole.
"""

import http.client
import json
import sqlite3
import sys
import tomllib
import urllib.error
import urllib.request
from pathlib import Path

LOGBOOK = "biteclock.sqlite"
PORT = 8420


def ask(port: int, path: str) -> dict:
    """Return an answer of the daemon, also one that says that it is not well, or nothing.

    A proxy in the environment is not asked.
    """
    direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        try:
            with direct.open(f"http://127.0.0.1:{port}{path}", timeout=3) as reply:
                found = json.load(reply)
        except urllib.error.HTTPError as error:
            found = json.load(error)
    except (OSError, ValueError, http.client.HTTPException):
        return {}
    return found if isinstance(found, dict) else {}


def port_in(config: str) -> int:
    """Return the port that the configuration gives, or the program's default."""
    try:
        with Path(config).open("rb") as stream:
            return int(tomllib.load(stream).get("server", {}).get("port", PORT))
    except (OSError, ValueError, TypeError, AttributeError):
        return PORT


def probe(config: str) -> str:
    """Return state and health, each ``unknown`` when the daemon does not say."""
    port = port_in(config)
    state = ask(port, "/api/status").get("state") or "unknown"
    ready = ask(port, "/api/health").get("ready")
    return f"{state} {'unknown' if ready is None else 'ready' if ready else 'not_ready'}"


def logbook(config: str) -> str:
    """Return the path that the configuration gives, or the program's default."""
    try:
        with Path(config).open("rb") as stream:
            return str(tomllib.load(stream).get("logbook", {}).get("path", LOGBOOK))
    except FileNotFoundError:
        return LOGBOOK


def schema(path: str) -> int:
    """Return the number of the format, from a copy that has no write-ahead log.

    Source: SQLite, "Database File Format": the user version is at bytes 60 to 63.
    """
    with Path(path).open("rb") as stream:
        return int.from_bytes(stream.read(64)[60:], "big")


def copy(path: str) -> bytes:
    """Return the logbook with its write-ahead log, as one moment has it. Raises: sqlite3.Error."""
    connection = sqlite3.connect(path, timeout=10, isolation_level=None)
    whole = sqlite3.connect(":memory:")
    try:
        connection.backup(whole)
        return whole.serialize()
    finally:
        whole.close()
        connection.close()


if __name__ == "__main__":
    command, argument = sys.argv[1:]
    if command == "copy":
        sys.stdout.buffer.write(copy(argument))
    else:
        print({"probe": probe, "logbook": logbook, "schema": schema}[command](argument))
