"""The `benchcall` command: parse, call the library, print. Known errors are one line and an exit code.

Exit codes: 0 done; 1 another error of ours; 2 a wrong option or setting; 3 model missing or damaged; 4 sound
file or microphone; 5 voice; 6 event log; 7 upload; 8 a rehearsal did not come out as its manifest says;
9 a device; 10 a plan, tag or value; 11 `doctor` found something unusable; 130 stopped by the keyboard.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from capture.domain.errors import DomainError
from capture.domain.identifiers import KINDS, TagText, to_text
from capture.errors import CaptureError, SettingsError
from capture.settings import Settings, default_data, read_settings
from hardware.errors import HardwareError

TAG_KINDS = {name: letter for letter, name in KINDS.items()}
EXIT_DEVICE = 9
EXIT_DOMAIN = 10
EXIT_UNUSABLE = 11


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="benchcall",
        description="A bench that hears called readings, reads part tags, checks limits and keeps the record.",
        epilog="Verdicts speak of stated limits. The maker's manual, local codes and licensed practice rule.",
    )
    parser.add_argument("--data", type=Path, default=None, help="data folder (default: BENCHCALL_DATA or your own)")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    run = commands.add_parser("run", help="start this bench")
    run.add_argument("--bench", help="this bench's name")
    run.add_argument("--engine", help="whisper, vosk or auto")
    run.add_argument("--microphone", help='"default", part of a name, "file:PATH" or "none" (then type)')
    run.add_argument("--speaker", help='"default", part of a name, "file:PATH" or "none"')
    run.add_argument("--camera", help='"default", a number, "file:PATH" or "none"')
    run.add_argument("--pedal", help='"none", "gpio:PIN" or "keyboard"')

    demo = commands.add_parser("demo", help="play the demo shift through a bench and a server")
    demo.add_argument("--shift", type=Path, default=None, help="folder with shift.toml (default: demo_audio)")
    demo.add_argument("--out", type=Path, default=Path("build") / "demo", help="where the results go")

    commands.add_parser("doctor", help="say which parts of this bench are usable and what to do about the others")

    enrol = commands.add_parser("enrol", help="enrol this bench with a server")
    enrol.add_argument("url", help="the server, for example http://shop-server:8080")
    enrol.add_argument("code", help="the one-time code the server gave")

    commands.add_parser("upload", help="send what the server has not acknowledged")
    verify = commands.add_parser("verify", help="check this bench's log, or any log, backup or exported record")
    verify.add_argument("path", nargs="?", type=Path, help="a log, a backup's folder, or a record as HTML or JSON")
    verify.add_argument("--key", default="", help="the public key, or its short name, that must have signed it")
    backup = commands.add_parser("backup", help="copy log, clips and jobs into a new folder, also while the bench runs")
    backup.add_argument("folder", type=Path)
    restore = commands.add_parser("restore", help="verify a backup and put it into an empty data folder")
    restore.add_argument("folder", type=Path)
    clips = commands.add_parser("clips", help="remove audio older than the shop keeps it; the digests stay")
    clips.add_argument("--older-than", type=int, required=True, metavar="DAYS", help="age of the event that names it")
    clips.add_argument("--by", required=True, metavar="WHO", help="badge of the person who has it removed")

    job = commands.add_parser("job", help="put a job on this bench, or list them")
    job.add_argument("name", nargs="?", help="job name as on its tag: capitals, digits and hyphens")
    job.add_argument("plan", nargs="?", type=Path, help="its inspection plan (TOML)")
    job.add_argument(
        "--earlier",
        type=Path,
        action="append",
        default=[],
        metavar="FILE",
        help="log of an earlier overhaul of the machine (events.db), or a list of overhauls (JSON); may be repeated",
    )
    job.add_argument(
        "--earlier-date",
        type=date.fromisoformat,
        metavar="DATE",
        help="day of the earlier overhaul, as 2026-03-31, where its bench's clock was not known",
    )

    tag = commands.add_parser("tag", help="print the text of a tag with its check character, to make a label from")
    tag.add_argument("kind", choices=tuple(TAG_KINDS))
    tag.add_argument("name", help="capitals, digits and hyphens; for a place its position in the plan")

    tags = commands.add_parser("tags", help="write a sheet of tags to print for a job: itself, places, gauges, parts")
    tags.add_argument("job")
    tags.add_argument("file", type=Path, help="the PDF to write")
    tags.add_argument("--part", action="append", default=[], metavar="NAME", help="a part's tag too; may be repeated")
    tags.add_argument("--size", default="50x25", metavar="WxH", help="width and height of a label in mm (50x25)")
    tags.add_argument("--symbol", default="qr", help="qr or data matrix")

    report = commands.add_parser("report", help="write a job's record, by its file's ending as PDF, HTML or QIF")
    report.add_argument("job")
    report.add_argument("file", type=Path)

    model = commands.add_parser("model", help="list speech models, check them, say how to get one")
    model.add_argument("--engine", default=None, help="load this engine to check it: whisper or vosk")

    plan = commands.add_parser("plan", help="check, show or write inspection plans")
    about = plan.add_subparsers(dest="what", required=True, metavar="WHAT")
    check = about.add_parser("check", help="read plans, run their worked examples, try out how they are spoken")
    check.add_argument("file", type=Path, nargs="+")
    show = about.add_parser("show", help="print what the mechanic will be asked, in order, and the words to say")
    show.add_argument("file", type=Path)
    new = about.add_parser("new", help="ask at the terminal and write a plan that passes the check")
    new.add_argument("file", type=Path)
    about.add_parser("schema", help="print the JSON Schema of plan files, for editors")
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; return its exit code."""
    options = _parser().parse_args(argv)
    try:
        return _dispatch(options)
    except CaptureError as error:
        print(f"benchcall: {error}", file=sys.stderr)
        return error.exit_code
    except HardwareError as error:
        print(f"benchcall: {error}", file=sys.stderr)
        return EXIT_DEVICE
    except DomainError as error:
        print(f"benchcall: {error}", file=sys.stderr)
        return EXIT_DOMAIN
    except KeyboardInterrupt:
        print("benchcall: stopped", file=sys.stderr)
        return 130


def _settings(options: argparse.Namespace) -> Settings:
    names = ("bench", "engine", "microphone", "speaker", "camera", "pedal")
    overrides = {name: getattr(options, name, None) for name in names}
    return read_settings(options.data or default_data(), overrides)


def _dispatch(options: argparse.Namespace) -> int:
    """Call what the command names. Heavy modules are imported only by the commands that need them."""
    if options.command == "demo":
        from capture.demo import run_demo

        return run_demo(_demo_folder(options.shift), options.out)
    if options.command == "plan":
        return _plan(options)
    if options.command == "tag":
        print(to_text(TagText(TAG_KINDS[options.kind], options.name)))
        return 0
    settings = _settings(options)
    if options.command == "run":
        from capture.live import run

        return run(settings)
    if options.command == "doctor":
        from capture.doctor import examine, print_checks

        return 0 if print_checks(examine(settings)) else EXIT_UNUSABLE
    if options.command == "model":
        from capture.doctor import print_models

        return print_models(settings, options.engine)
    from capture import keep

    if options.command == "tags":
        return keep.tags(settings, options.job, options.file, options.part, options.size, options.symbol)
    if options.command == "enrol":
        return keep.enrol(settings, options.url, options.code)
    if options.command == "upload":
        return keep.upload(settings)
    if options.command == "verify":
        return keep.verify(settings, options.path, options.key)
    if options.command == "backup":
        return keep.backup(settings, options.folder)
    if options.command == "restore":
        return keep.restore(settings, options.folder)
    if options.command == "clips":
        return keep.clips(settings, options.older_than, options.by)
    if options.command == "job":
        return keep.job(settings, options.name, options.plan, tuple(options.earlier), options.earlier_date)
    return keep.report(settings, options.job, options.file)


def _demo_folder(given: Path | None) -> Path:
    if given is not None:
        return given
    for folder in (Path("demo_audio"), Path(__file__).resolve().parent.parent / "demo_audio"):
        if (folder / "shift.toml").exists():
            return folder
    raise SettingsError("No demo_audio folder is here; run from the project's folder or give --shift FOLDER")


def _plan(options: argparse.Namespace) -> int:
    from capture import keep, planning

    if options.what == "check":
        return EXIT_DOMAIN if planning.check_files(options.file) else 0
    if options.what == "show":
        print("\n".join(planning.show_plan(keep.read_plan(options.file))))
    elif options.what == "new":
        from capture.newplan import write_new_plan

        return write_new_plan(options.file, sys.stdin, sys.stdout)
    else:
        print(planning.schema_text())
    return 0


if __name__ == "__main__":
    sys.exit(main())
