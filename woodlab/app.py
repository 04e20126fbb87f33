"""The commands. Each is thin: it calls one public function and says what came of it.

Exit codes: 0 the work was done; 2 a fault in the records or in the request, said on stderr;
1 the work failed on the way.
"""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Sequence

from woodlab.commands import records, week
from woodlab.errors import RecordError, WoodlabError, WorkError

DONE, FAILED, FAULT = 0, 1, 2


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; returns its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a console shows what it can, and ? for the rest
            stream.reconfigure(errors="replace")
    options = _parser().parse_args(arguments)
    try:
        done = int(options.run(options) or DONE)
        sys.stdout.flush()
        return done
    except WoodlabError as error:
        print(error if isinstance(error, RecordError) else f"woodlab: {error}", file=sys.stderr)
        return FAILED if isinstance(error, WorkError) else FAULT
    except KeyboardInterrupt:
        print("woodlab: stopped. What stood there before is untouched.", file=sys.stderr)
        return FAILED
    except BrokenPipeError:  # the reader of our output, `head` perhaps, has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except (MemoryError, OSError) as error:
        print(f"woodlab: {error or 'not enough memory'}. Nothing was changed.", file=sys.stderr)
        return FAILED
    except Exception as error:
        if os.environ.get("WOODLAB_TRACE"):
            raise
        print(
            f"woodlab: something went wrong that is no fault of yours ({type(error).__name__}: "
            f"{str(error)[:300]}). Nothing was changed. To report it, set WOODLAB_TRACE=1, run "
            "the command again, and send what it prints.",
            file=sys.stderr,
        )
        return FAILED


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="woodlab", description="Drying research for makers who rough-turn green wood."
    )
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    for room in (week, records):
        room.put(commands)
    return parser


if __name__ == "__main__":
    sys.exit(main())
