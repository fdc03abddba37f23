"""Answers of online services kept on disk, so that the same question is asked once."""

import os
import tempfile
from pathlib import Path

from planner.errors import OutputError

FOLDER = "offgrid-fleet-planner"
MARK = "# request "  # first words of every text made of an answer; the request's key follows


def default_cache() -> Path:
    """The user's cache folder, by the XDG base directory specification."""
    home = os.environ.get("XDG_CACHE_HOME", "")
    base = Path(home) if os.path.isabs(home) else Path.home() / ".cache"
    return base / FOLDER / "climate"


def cached(folder: Path, key: str) -> str | None:
    """The text kept under a key; None where there is none, or none that is whole."""
    try:
        text = (folder / f"{key}.csv").read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return None
    return text if text.startswith(f"{MARK}{key}\n") and text.endswith("\n") else None


def keep(folder: Path, key: str, text: str) -> None:
    """Keep a text under a key.

    Raises
    ------
    OutputError
        The folder cannot be written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_whole(folder / f"{key}.csv", text)
    except OSError as error:
        raise OutputError(
            f"cannot write the cache {folder}: {error.strerror}; name another by --cache"
        ) from error


def write_whole(path: Path, text: str) -> None:
    """Write a file so that it is there whole or as it was before."""
    descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(descriptor, "w", encoding="utf-8", newline="") as stream:
            stream.write(text)
        mode = path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask()
        os.chmod(name, mode)
        os.replace(name, path)
    except BaseException:
        os.unlink(name)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
