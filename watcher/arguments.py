"""The command line (contract): every command, its options and its help.

Nothing heavy is imported here: asking for help costs no numpy.
"""

from __future__ import annotations

import argparse
import re
from typing import TYPE_CHECKING

from watcher import __version__

if TYPE_CHECKING:
    _Commands = argparse._SubParsersAction[argparse.ArgumentParser]

_EPILOG = """\
exit status: 0 all clear; 1 a fault of the program itself; 2 wrong usage or configuration, no
such path, no capture there; 3 something to listen to, unrecorded, elsewhere, or metadata alone
altered; 4 something to redo, altered or missing; 5 something unread; 6 not running, or already
running; 130 interrupted. The worst wins.

Captures are only ever read. The program looks, it does not listen: keep the tape and a second
copy of every file until a person has.
"""


def parser() -> argparse.ArgumentParser:
    """The command line (contract)."""
    top = argparse.ArgumentParser(
        prog="reelvigil",
        description="Checks tape transfers: every sample and byte of a capture, what was found,\n"
        "what to do about it, and later whether anything stored has changed.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"reelvigil {__version__}")
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")

    demo = commands.add_parser(
        "demo",
        help="make sample captures, good and faulty, and check them",
        description="Makes nine short captures of an invented session, good and faulty, "
        "checks them, writes their reports and shows what a person would read.",
    )
    demo.add_argument(
        "folder",
        nargs="?",
        default="reelvigil-demo",
        metavar="FOLDER",
        help="new or empty (default reelvigil-demo); the captures take some 200 MB",
    )

    check = commands.add_parser(
        "check",
        help="check captures now",
        description="Checks files, or all captures in folders and below, and writes a report "
        "beside each (NAME.vigil.json).",
    )
    check.add_argument(
        "paths",
        nargs="+",
        metavar="PATH",
        help="a file (of a track set any, or its name), or a folder",
    )
    check.add_argument("--json", action="store_true", help="one report a line on standard output")
    check.add_argument(
        "--notes", action="store_true", help="print the notes of each capture as well"
    )
    _config(check)
    check.add_argument("--no-sidecar", action="store_true", help="write no reports")
    check.add_argument(
        "--jobs", type=_positive, default=1, metavar="N", help="captures at once (default 1)"
    )

    show = commands.add_parser(
        "show",
        help="print stored reports, with their notes",
        description="Prints the stored reports of captures, of all captures in folders and below, "
        "or by their own names, as `check` prints them, and their notes. No sample is read; the "
        "exit status is that of `check`, and not 0 where a capture has no report, or is not as it "
        "was when its report was made.",
    )
    show.add_argument("paths", nargs="+", metavar="PATH", help="a capture, its report, or a folder")
    _config(show)
    _page(commands)

    _daemon(commands)
    _morning(commands)
    _verify(commands)
    _lineup(commands)
    commands.add_parser(
        "schema",
        help="print the JSON Schema of the report",
        description="Prints the JSON Schema of NAME.vigil.json, version 1.",
    )

    config = commands.add_parser("config", help="check the configuration, or show what applies")
    actions = config.add_subparsers(dest="action", required=True, metavar="ACTION")
    config_check = actions.add_parser(
        "check", help="every mistake, as file:line: key: what, allowed"
    )
    _config(config_check)
    config_check.add_argument(
        "path", nargs="?", metavar="PATH", help="a folder with its sheets (default: the roots)"
    )
    config_show = actions.add_parser("show", help="what applies to a path, and where it comes from")
    _config(config_show)
    config_show.add_argument("path", metavar="PATH", help="a capture, or a folder")
    return top


def _config(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--config",
        metavar="F",
        help="configuration (default: reelvigil.yaml here, in ~/.config/reelvigil or in /etc)",
    )


def _positive(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 64:
        raise argparse.ArgumentTypeError(f"must be 1 to 64, got {text!r}")
    return int(text)


def _page(commands: _Commands) -> None:
    """``page``."""
    page = commands.add_parser(
        "page",
        help="make pages of stored reports, for a browser or for paper",
        description="Makes a page of each stored report, beside it (NAME.vigil.html): what to do "
        "first, a picture of where the findings lie, what was measured, the digests in full. It "
        "opens in any browser, loads nothing and holds no script. No sample is read. The page "
        "shows the report as it is now, and is not made anew by a later check or signoff: the "
        "report is the record. Prints the pages that were made. Exit status 0: all were made; 3: "
        "all were made, but a capture in a folder has no report, or is not as it was when its "
        "report was made; 5: a report cannot be read; 2: there is none, or its page cannot be "
        "written.",
    )
    page.add_argument(
        "paths",
        nargs="+",
        metavar="SIDECAR",
        help="a report (NAME.vigil.json), its capture, or a folder with all below",
    )
    _config(page)


def _daemon(commands: _Commands) -> None:
    """``watch``, ``enrol``, ``status`` and ``unit``."""
    watch = commands.add_parser(
        "watch",
        help="watch the configured roots and check what comes in (the daemon)",
        description="Runs in the foreground until told to stop (SIGTERM); SIGHUP reads a changed "
        "configuration. A service manager runs it: see `reelvigil unit`.",
    )
    _config(watch)
    enrol = commands.add_parser(
        "enrol",
        help="give a storage root its marker",
        description="Writes the root's marker, so that an absent or foreign volume is never "
        "taken for deleted captures. Once more: confirms that the root is right as it is.",
    )
    enrol.add_argument("root", metavar="ROOT", help="one of the `roots` of the configuration")
    _config(enrol)
    enrol.add_argument(
        "--take-over", action="store_true", help="from another instance that watches it no more"
    )
    status = commands.add_parser(
        "status",
        help="is the daemon alive, what is it doing, how long is the queue",
        description="Exit status 0: alive; 6: not.",
    )
    _config(status)
    status.add_argument("--json", action="store_true", help="as one line of JSON")
    unit = commands.add_parser(
        "unit",
        help="print a systemd unit, filled in",
        description="Prints a unit for this installation and configuration. Read it, save it as "
        "/etc/systemd/system/reelvigil.service, then: systemctl enable --now reelvigil",
    )
    _config(unit)
    unit.add_argument("--user", default="reelvigil", help="account it runs as (default reelvigil)")


def _morning(commands: _Commands) -> None:
    """``summary`` and ``signoff``."""
    summary = commands.add_parser(
        "summary",
        help="what came in, what needs doing",
        description="What the daemon found: what could not be looked at, the tapes to play again, "
        "the files at fault, where to listen, what is clear, what waits, and what is stored.",
    )
    summary.add_argument(
        "--since",
        metavar="WHEN",
        help="a time (RFC 3339), a date, or 12h, 3d (default: since the last summary marked as "
        "read, else 24h)",
    )
    summary.add_argument("--seen", action="store_true", help="mark it as read")
    summary.add_argument("--json", action="store_true", help="as one line of JSON")
    summary.add_argument(
        "--html",
        metavar="FILE",
        help="write it as a page instead, with links to the pages of captures that `reelvigil "
        "page` has made",
    )
    _config(summary)
    signoff = commands.add_parser(
        "signoff",
        help="a person has listened and decided",
        description="Keeps a person's decision in the report and the ledger. Summaries stop "
        "asking; a later change of the file or of the findings opens the question again.",
    )
    signoff.add_argument(
        "captures",
        nargs="+",
        metavar="CAPTURE",
        help="a file; of a track set any of its files, or its name",
    )
    signoff.add_argument("--by", required=True, metavar="INITIALS", help="who has listened")
    signoff.add_argument("--note", metavar="TEXT", help="why, for whoever reads it later")
    signoff.add_argument(
        "--verdict",
        choices=["clear", "redo"],
        default="clear",
        help="clear: good as it is (default); redo: to be done again",
    )
    _config(signoff)


def _verify(commands: _Commands) -> None:
    """``verify`` and ``sums``."""
    check = commands.add_parser(
        "verify",
        help="are these bytes still the ones that were checked?",
        description="Reads every capture in a folder again (and every file with a recorded "
        "digest) and holds it against what is recorded: reports, ledger, sum files, bags. States: "
        "intact, altered, missing, elsewhere, unrecorded, unread. What was found is kept in the "
        "ledger of the configuration, else in ~/.local/state/reelvigil, and told by summary; with "
        "--quick nothing is kept.",
    )
    check.add_argument("folders", nargs="+", metavar="FOLDER", help="with all folders below")
    check.add_argument("--json", action="store_true", help="one result a line, counts last")
    _config(check)
    check.add_argument(
        "--quick", action="store_true", help="existence, size and date only: no byte is read"
    )
    check.add_argument(
        "--jobs",
        type=_positive,
        default=0,
        metavar="N",
        help="big files at once (default: several on storage without turning disks, else 1, for "
        "several would make one disk seek)",
    )
    check.add_argument(
        "--resume", action="store_true", help="go on with the interrupted run of this folder"
    )
    check.add_argument(
        "--sample",
        type=_percent,
        metavar="PERCENT",
        help="this share of the files, the longest unverified first",
    )
    check.add_argument(
        "--time-limit",
        type=_duration,
        metavar="T",
        help="begin no further file after this time (90, 45m, 8h), the longest unverified first",
    )
    sums = commands.add_parser(
        "sums",
        help="write a sum file for general tools",
        description="Writes SHA256SUMS into a folder, for `sha256sum -c`, from recorded digests.",
    )
    sums.add_argument("folder", metavar="FOLDER", help="with all folders below")
    _config(sums)
    sums.add_argument("--from-bytes", action="store_true", help="read the files instead")
    sums.add_argument("--replace", action="store_true", help="write over a differing SHA256SUMS")


def _lineup(commands: _Commands) -> None:
    """``lineup``."""
    parser = commands.add_parser(
        "lineup",
        help="the line-up tones of a capture as a table",
        description="Reads captures and shows their line-up tones, track by track: level, "
        "deviation, phase, delay, and what is to be said about them. Nothing is written.",
    )
    parser.add_argument(
        "files", nargs="+", metavar="FILE", help="a file, a file of a track set, or a folder"
    )
    parser.add_argument("--json", action="store_true", help="one line-up a line")
    _config(parser)


def _percent(text: str) -> float:
    found = re.fullmatch(r"(\d+(?:\.\d+)?)%?", text)
    if not found or not 0 < float(found[1]) <= 100:
        raise argparse.ArgumentTypeError(f"must be more than 0 and at most 100, got {text!r}")
    return float(found[1])


def _duration(text: str) -> float:
    found = re.fullmatch(r"(\d+(?:\.\d+)?)([smh]?)", text)
    if not found:
        raise argparse.ArgumentTypeError(f"must be seconds, or like 45m or 8h, got {text!r}")
    return float(found[1]) * {"": 1, "s": 1, "m": 60, "h": 3600}[found[2]]
