"""``page SIDECAR...``: pages of stored reports, each beside its report."""

from __future__ import annotations

import argparse
import hashlib
import sys
from datetime import datetime
from pathlib import Path

from watcher import sidecar
from watcher.errors import UsageError
from watcher.exits import Exit
from watcher.files import shown, write_whole
from watcher.page_view import Source, page_of
from watcher.pages import rendered
from watcher.report import ReportError, from_json, page_path
from watcher.settings import find_config, load
from watcher.stored import stored


def run_page(args: argparse.Namespace) -> Exit:
    """``page SIDECAR...``"""
    settings = load(find_config(Path(args.config) if args.config else None))
    found = stored(args.paths, settings.reports)
    statuses = [Exit.LISTEN] * bool(found.remarks)
    for sentence in (*found.troubles, *found.remarks):
        print(f"reelvigil: {sentence}", file=sys.stderr)
    statuses += [Exit.UNREAD] * bool(found.troubles)
    for path in found.reports:
        try:
            print(shown(write_page(path, changed=path in found.changed)), flush=True)
        except (ReportError, FileNotFoundError) as error:  # it was changed this very moment
            print(f"reelvigil: {shown(path)}: the report cannot be read ({error})", file=sys.stderr)
            statuses.append(Exit.UNREAD)
        except UsageError as error:
            print(f"reelvigil: {error}", file=sys.stderr)
            statuses.append(Exit.USAGE)
    return Exit.worst(statuses)


def write_page(path: Path, *, changed: bool) -> Path:
    """Make the page of the report at a path.

    Args:
        changed: the capture is gone, or of another size or date than the report says.

    Returns:
        Where the page stands.

    Raises:
        ReportError, FileNotFoundError: it is no report any more.
        UsageError: the page cannot be written there.
    """
    data = sidecar.read(path)
    source = Source(name=path.name, sha256=hashlib.sha256(data).hexdigest(), changed=changed)
    page = page_of(from_json(data), source, datetime.now().astimezone())
    target = page_path(path)
    _may_stand(target)
    try:
        write_whole(target, rendered("capture.html", page=page))
    except OSError as error:
        raise UsageError(
            f"{shown(target)}: the page could not be written ({error.strerror or error}); free "
            "space there or give this account the right to write"
        ) from error
    return target


def _may_stand(target: Path) -> None:
    """Nothing may be added to a bag that was closed: it would not be whole any more.

    Raises:
        UsageError
    """
    for folder in target.parents:
        # RFC 8493, 2.1: the payload is what lies in `data` beside the declaration
        if folder.name == "data" and (folder.parent / "bagit.txt").exists():
            raise UsageError(
                f"{shown(target)}: not written, for it lies in the payload of a bag, in which "
                "every file must be listed; copy the report out of it and name the copy"
            )
