"""The command line.

Exit status: 0 good; 1 the thing examined is bad (breach, altered record, limit not met); 2 the request could
not be carried out, with one plain sentence on standard error.
"""

import argparse
import json
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from app.calc.errors import ChangeoutError, Invalid
from app.commands_keep import add_commands
from app.commands_serve import DEMO_INSTRUMENTS, DEMO_PEOPLE, DEMO_READINGS, add_options, demo, furnish, serve
from app.domain.housing import Housing, read_housing
from app.domain.procedure import Procedure, read_procedure
from app.settings import Settings, database_of

if TYPE_CHECKING:
    from app.bootstrap import Running

__all__ = ["BAD", "DEMO_INSTRUMENTS", "DEMO_PEOPLE", "DEMO_READINGS", "GOOD", "UNUSABLE", "furnish", "main"]

GOOD, BAD, UNUSABLE = 0, 1, 2


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    given = list(sys.argv[1:] if argv is None else argv)
    try:
        if given[:1] == ["calc"]:
            from app.calc.command import run_command

            return run_command(given[1:], print, _complain)
        options = _parser().parse_args(given)
        run: Callable[[argparse.Namespace], int] = options.run
        return run(options)
    except ChangeoutError as fault:
        _complain(str(fault))
    except OSError as fault:
        _complain(f"{fault.filename or 'A file'} could not be used: {fault.strerror}. Check the path and its rights.")
    except KeyboardInterrupt:
        _complain("Stopped by the keyboard.")
    return UNUSABLE


def _complain(sentence: str) -> None:
    print(sentence, file=sys.stderr)


class _Parser(argparse.ArgumentParser):
    """A parser whose complaint is one sentence."""

    def error(self, message: str) -> NoReturn:
        """Say what is wrong and where to look, and end with status 2."""
        self.exit(UNUSABLE, f"{message[:1].upper()}{message[1:]}. Try `{self.prog} --help`.\n")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(prog="changeout", description="Carry out, sign and prove a safe-change filter change-out.")
    commands = parser.add_subparsers(required=True, metavar="COMMAND", parser_class=_Parser)
    defaults = Settings()

    def command(name: str, run: Callable[[argparse.Namespace], int], told: str) -> argparse.ArgumentParser:
        made = commands.add_parser(name, help=told, description=told)
        made.set_defaults(run=run)
        return made

    for name, run, told in (
        ("demo", demo, "make a sample site and serve it; prints the address, names and secrets to try"),
        ("serve", serve, "serve the site of a data folder"),
    ):
        made = command(name, run, told)
        add_options(made, defaults)
        if run is demo:
            made.add_argument(
                "--years", type=int, default=0, help="in an empty folder: 40 housings with so many years of history"
            )
            made.add_argument(
                "--until", default="", metavar="DAY", help="with --years: the day on which the history ends, else today"
            )
    add_commands(command, _Parser, defaults)
    made = command("takeoff", _takeoff, "add up what a job on a housing uses")
    made.add_argument("housing", type=Path)
    made.add_argument("--procedure", default="change-out", help="a procedure's id or file")
    made.add_argument("--depth", action="append", default=[], metavar="PORT=N", help="replace only down to position N")
    made.add_argument("--json", action="store_true")
    made = command("check-procedure", _check_procedure, "run a procedure through the writing rules and the model")
    made.add_argument("procedure", type=Path)
    made.add_argument("--housing", type=Path, help="one housing instead of the whole matrix")
    made.add_argument("--json", action="store_true")
    made = command("rehearse", _rehearse, "run a whole job without people, marked REHEARSAL everywhere")
    made.add_argument("housing", type=Path)
    made.add_argument("--procedure", default="change-out", help="a procedure's id or file")
    made.add_argument("--out", type=Path, required=True)
    made = command("issue", _issue, "rehearse a procedure of a site and issue it; on SQLite no server may be running")
    made.add_argument("procedure", help="the id of a procedure in the site's folder")
    made.add_argument("--housing", help="the tag of the housing to rehearse on; else the first")
    made.add_argument("--data", type=Path, default=defaults.data)
    made = command("export", _export, "write a job's record into a folder")
    made.add_argument("job")
    made.add_argument("--out", type=Path, required=True)
    made.add_argument("--data", type=Path, default=defaults.data)
    made = command("verify", _verify, "verify a record: JSON, PDF or exported folder")
    made.add_argument("record", type=Path)
    made.add_argument(
        "--head", action="append", default=[], metavar="SIZE:ROOT", help="a head noted before; repeatable"
    )
    made.add_argument("--certificate", type=Path, help="the site certificate from a source you trust")
    made.add_argument("--json", action="store_true")
    made = command("calc", lambda _: GOOD, "one calculation: calc --list, calc NAME key=value … [--json]")
    return parser


# --- procedures and housings -------------------------------------------------------------------


def _read(path: Path) -> str:
    from app.storage.library import read_text

    return read_text(path)


def _housing(path: Path) -> Housing:
    return read_housing(_read(path), name=path.name)


def _procedure(given: str) -> tuple[Procedure, str]:
    """Return a procedure by the id of a shipped one or by its file, with the file's SHA-256."""
    from hashlib import sha256

    from app.paths import SEED_DATA

    shipped = SEED_DATA / "procedures" / f"{given}.toml"
    path = shipped if shipped.is_file() and not Path(given).is_file() else Path(given)
    if not path.is_file():
        known = ", ".join(sorted(item.stem for item in (SEED_DATA / "procedures").glob("*.toml")))
        raise Invalid(f"There is no procedure {given!r}. Give a file, or one of {known}.")
    text = _read(path)
    return read_procedure(text, name=path.name), sha256(text.encode()).hexdigest()


def _takeoff(options: argparse.Namespace) -> int:
    from dataclasses import asdict

    from app.services.planning import plan, with_depths

    procedure, digest = _procedure(options.procedure)
    made = plan(with_depths(_housing(options.housing), _depths(options.depth)), procedure, digest)
    counted = made.takeoff
    if options.json:
        print(json.dumps({"housing": made.housing.tag, "procedure": procedure.id} | asdict(counted), indent=2))
    else:
        print(f"Take-off for {made.housing.tag}, {procedure.title}\n")
        for name in counted.total:
            per_port = "  ".join(f"{port} {counts[name]:>3}" for port, counts in counted.per_port.items())
            print(f"  {name.replace('_', ' '):<22}{counted.total[name]:>4}   {per_port}")
        for name, count in counted.filters.items():
            print(f"  filters {name:<24}{count:>4}")
        print(f"  grease                {'yes, thin film on new gaskets' if counted.grease else 'no'}")
        print(f"  tools                 {'; '.join(counted.tools)}")
        spares = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in counted.spares.items())
        print(f"\nSpares, extra: {spares} (common practice, no source).")
    return BAD if made.breaches else GOOD


def _depths(given: Sequence[str]) -> dict[str, int]:
    depths = {}
    for item in given:
        port, equals, number = item.partition("=")
        if not equals or not number.isdigit():
            raise Invalid(f"The depth {item!r} is not PORT=NUMBER. Give it like P1=2.")
        depths[port] = int(number)
    return depths


def _check_procedure(options: argparse.Namespace) -> int:
    from app.domain.examine import examine, laid_findings, matrix
    from app.domain.writing_rules import findings

    procedure = read_procedure(_read(options.procedure), name=options.procedure.name)
    rows = [{"step": item.step, "rule": item.rule, "sentence": item.sentence} for item in findings(procedure)]
    housings = [_housing(options.housing)] if options.housing else list(matrix())
    seen: dict[tuple[str, str, str], int] = {}
    for housing in housings:
        laid = [(item.step, item.rule, item.sentence) for item in laid_findings(procedure, housing)]
        for found in (*laid, *((item.step, item.rule, item.sentence) for item in examine(procedure, housing))):
            seen[found] = seen.get(found, 0) + 1
    rows += [{"step": step, "rule": rule, "sentence": sentence} for step, rule, sentence in seen]
    if options.json:
        print(json.dumps({"procedure": procedure.id, "housings": len(housings), "findings": rows}, indent=2))
    else:
        for row in rows:
            print(f"{row['step']}\t{row['rule']}\t{row['sentence']}")
        told = f"{len(rows)} finding{'s' if len(rows) != 1 else ''}" if rows else "no breach and no finding"
        print(f"{procedure.id} revision {procedure.revision}: {told} over {len(housings)} housings.")
    return BAD if rows else GOOD


# --- records -------------------------------------------------------------------------------------


def _write(files: dict[str, bytes], folder: Path) -> None:
    if folder.exists() and any(folder.iterdir()):
        raise Invalid(f"{folder} is not empty. Give a new or empty folder, so that nothing is mixed.")
    for name, data in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)


def _rehearse(options: argparse.Namespace) -> int:
    import tempfile

    from app import __version__
    from app.bootstrap import clock_now, signed_pdf
    from app.records.moments import utc_text
    from app.services.export import Material, export_files
    from app.services.planning import plan
    from app.services.rehearsal import rehearse
    from app.storage.keys import load_or_make_site_key

    procedure, digest = _procedure(options.procedure)
    made = plan(_housing(options.housing), procedure, digest)
    with tempfile.TemporaryDirectory() as folder:
        key = load_or_make_site_key(Path(folder), site="Rehearsal", clock=clock_now)
        run = rehearse(made, key, begin=clock_now())
        material = Material(
            events=tuple(run.events),
            heads=tuple(run.heads),
            photos={},
            certificate_pem=key.certificate_pem,
            authority_pem=key.authority_pem,
            made_at=utc_text(clock_now()),
            program=f"Changeout Ledger {__version__}",
        )
        files = export_files(material, key, lambda *parts: signed_pdf(key, *parts))
    _write(files, options.out)
    print(f"REHEARSAL of {procedure.id} over {made.housing.tag}: {len(run.events)} entries, {len(made.steps)} steps.")
    print(f"Head {run.heads[-1].size}:{run.heads[-1].root.hex()}")
    print(f"Written to {options.out}")
    return GOOD


def _opened(data: Path) -> "Running":
    """Open the site of a folder for one command, wherever its record is."""
    from app.bootstrap import start

    return start(Settings(data=data, database=database_of(os.environ)), serving=False)


def _issue(options: argparse.Namespace) -> int:
    from app.services.issuing import housing_for, issue
    from app.services.planning import find_housing, find_procedure

    running = _opened(options.data)
    try:
        library = running.site.library
        procedure, digest = find_procedure(library, options.procedure)
        housing = find_housing(library, options.housing) if options.housing else housing_for(library.housings())
        entries, root = issue(running.site.jobs, procedure, digest, housing, by=None)
    finally:
        running.close()
    print(f"Rehearsed over {housing.tag}: {entries} entries, root {root}")
    print(f"Issued: {procedure.id} revision {procedure.revision}, SHA-256 {digest}")
    return GOOD


def _export(options: argparse.Namespace) -> int:
    from app.domain.site import RecordExported
    from app.services.export import export_files

    running = _opened(options.data)
    try:
        job = options.job if options.job.startswith("job-") else f"job-{options.job}"
        material = running.site.material(job)
        _write(export_files(material, running.key, running.site.make_pdf), options.out)
        head = material.heads[-1]
        running.site.jobs.write_site(
            lambda _, seq, at: RecordExported(seq=seq, at=at, job=job, size=head.size, root=head.root.hex())
        ).result()
    finally:
        running.close()
    print(f"Record of {job} written to {options.out}. Head {head.size}:{head.root.hex()}")
    return GOOD


def _verify(options: argparse.Namespace) -> int:
    from app.paper.examination import examine_path

    certificate = _read(options.certificate) if options.certificate else None
    verdict, extra = examine_path(options.record, certificate=certificate, known=options.head)
    rows = [
        {"check": check.number, "title": check.title, "faults": list(check.faults), "skipped": check.skipped,
         "note": check.note}
        for check in verdict.checks
    ]  # fmt: skip
    good = verdict.good and not extra
    if options.json:
        print(json.dumps({"good": good, "number": verdict.number, "entries": verdict.size, "root": verdict.root,
                          "rehearsal": verdict.rehearsal, "signed_for_this_version": verdict.signed,
                          "checks": rows, "file_faults": list(extra)}, indent=2))  # fmt: skip
        return GOOD if good else BAD
    for check in verdict.checks:
        state = "BAD " if check.faults else "skip" if check.skipped else "good"
        print(f"{check.number:>2}  {state}  {check.title}{_because(check.note, check.skipped)}")
        for fault in check.faults:
            print(f"          {fault}")
    for fault in extra:
        print(f"file  BAD   {fault}")
    kind = "REHEARSAL, no real work. " if verdict.rehearsal else ""
    signed = "Accepted and signed for this version." if verdict.signed else "NOT signed for this version."
    if not good:
        signed = "What it says of itself, signatures included, is not to be relied on."
    print(f"\n{'Good' if good else 'BAD'}: job {verdict.number}, {verdict.size} entries. {kind}{signed}")
    print(f"Head {verdict.size}:{verdict.root}")
    return GOOD if good else BAD


def _because(note: str, skipped: str) -> str:
    told = "; ".join(part for part in (note, skipped) if part)
    return f" ({told})" if told else ""


if __name__ == "__main__":
    sys.exit(main())
