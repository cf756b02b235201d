"""`changeout backup`, `changeout restore` and `changeout tls`: what the site's keeper does beside the server."""

import argparse
import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from app.calc.errors import Invalid
from app.settings import Settings, database_of

if TYPE_CHECKING:
    from app.services.trust import Trust

Command: TypeAlias = Callable[[str, Callable[[argparse.Namespace], int], str], argparse.ArgumentParser]


def add_commands(command: Command, parsers: type[argparse.ArgumentParser], defaults: Settings) -> None:
    """Add the three commands. command: makes a parser from name, function and help text."""
    made = command("backup", backup, "copy a site, also while it is served, and examine the copy")
    made.add_argument("to", type=Path, metavar="TO", help="a new folder, best on another disk")
    made.add_argument("--data", type=Path, default=defaults.data, help="the site's folder")
    made.add_argument("--with-keys", action="store_true", help="copy the private keys, too")
    made = command("restore", restore, "make a site's folder from a backup, after examining it")
    made.add_argument("source", type=Path, metavar="FROM", help="the folder of a backup")
    made.add_argument("--data", type=Path, default=defaults.data, help="the folder to make")
    made.add_argument("--replace", action="store_true", help="rename the folder that is there; nothing is deleted")
    made.add_argument("--keys", type=Path, metavar="FOLDER", help="where the site key is, if not in the backup")
    made = command("tls", lambda _: 0, "make or renew the site's own certificates for HTTPS")
    actions = made.add_subparsers(required=True, metavar="ACTION", parser_class=parsers)
    for name, run, told in (
        ("init", tls_init, "make a certificate authority and a server certificate"),
        ("renew", tls_renew, "make a new server certificate under the same authority"),
    ):
        made = actions.add_parser(name, help=told, description=told)
        made.set_defaults(run=run)
        made.add_argument("--data", type=Path, default=defaults.data, help="the site's folder")
        made.add_argument("--name", action="append", default=[], metavar="HOST", help="one more host name; repeatable")
        made.add_argument("--address", action="append", default=[], metavar="IP", help="one more address; repeatable")
        if name == "init":
            made.add_argument("--replace", action="store_true", help="set an authority that is there aside")


def backup(options: argparse.Namespace) -> int:
    """Copy a data folder and tell what the copy holds."""
    from app import __version__
    from app.bootstrap import clock_now
    from app.storage.backup import make_backup

    _refuse_elsewhere(options.data)
    made = make_backup(
        options.data, options.to, with_keys=options.with_keys, program=f"Changeout Ledger {__version__}",
        clock=clock_now,
    )  # fmt: skip
    told = made.manifest
    print(f"Backup {made.folder}: good.")
    print(f"  made {told.made_at}, {len(told.files)} files, {made.size / 1e6:.1f} MB, SHA-256 of the manifest")
    print(f"  {made.digest}")
    print(f"  {len(told.heads)} ledgers, {made.entries} entries: all of them verify; {made.photos} photos: all there.")
    if told.with_keys:
        print("The private keys ARE in it: whoever holds this copy can write records that verify. Lock it away.")
    else:
        print("The private keys are NOT in it: the record can be read and verified from this copy, not continued.")
        print("The site key never changes: one backup made with --with-keys and locked away serves all later ones.")
    print("It holds names and hashes of secrets: keep it where only the site's keeper can read it.")
    return 0


def restore(options: argparse.Namespace) -> int:
    """Make a data folder from a backup and tell what is in it and what is lost."""
    from functools import partial

    from app.bootstrap import clock_now, finish_restore
    from app.storage.restore import restore as restored_from

    _refuse_elsewhere(options.data)
    done = restored_from(
        options.source, options.data, replace=options.replace, keys=options.keys, clock=clock_now,
        finish=partial(finish_restore, clock=clock_now),
    )  # fmt: skip
    told = done.source.manifest
    print(f"{options.data} is now the site of {done.source.folder}, made {told.made_at}: examined and good.")
    print(f"  {len(told.heads)} ledgers, {done.source.entries} entries, {done.source.photos} photos, key {told.key}")
    print(f"LOST: entries after {told.made_at} are not in this backup.")
    if done.lost:
        print(f"  The folder set aside has {done.lost} more entries than the backup.")
    if done.aside is not None:
        print(f"The folder that was there is now {done.aside}; nothing in it was changed or deleted.")
    print("Tablets give back what they still hold of jobs that are not signed, as soon as somebody signs in on them.")
    print("Everybody is signed out. Secrets and people are as they were when the backup was made.")
    if done.has_key:
        print("The site's ledger has an entry that says so.")
    else:
        print(f"The site key is not here: put site.key into {options.data / 'keys'} (for its owner alone to read), or")
        print("restore again with --keys. Until then the record can be read and verified and the site does not start.")
    return 0


def _refuse_elsewhere(data: Path) -> None:
    """A database server has tools of its own, which know what it keeps; a copy of the folder alone would be none."""
    from app.storage.home import is_elsewhere

    if database_of(os.environ) is not None or is_elsewhere(data):
        raise Invalid(
            "Backup and restore here are for a record in SQLite: for PostgreSQL use the server's own tools, such as "
            f"pg_dump, together with a copy of {data}, which holds keys and photos."
        )


def tls_init(options: argparse.Namespace) -> int:
    """Make an authority and a server certificate for this machine's names and addresses and those given."""
    from app.bootstrap import clock_now
    from app.storage.reached import this_machine
    from app.storage.tls import make_authority

    reached = this_machine().joined(options.name, options.address)
    _tell(make_authority(options.data, reached, now=clock_now(), replace=options.replace))
    print("Write the fingerprint of the authority down: whoever sets up a tablet compares it.")
    print("Serve with `changeout serve --tls`; each tablet opens the page /trust once.")
    return 0


def tls_renew(options: argparse.Namespace) -> int:
    """Make a new server certificate; tablets need nothing new."""
    from app.bootstrap import clock_now
    from app.storage.tls import renew

    _tell(renew(options.data, options.name, options.address, now=clock_now()))
    print("Start the server again to use it. Tablets that trust the authority need nothing new.")
    return 0


def _tell(trust: "Trust") -> None:
    print(f"Authority, until {trust.authority_until:%Y-%m-%d}, SHA-256 fingerprint")
    print(f"  {trust.authority_print}")
    print(f"Server certificate, until {trust.until:%Y-%m-%d}, SHA-256 fingerprint")
    print(f"  {trust.server_print}")
    print(f"  for {', '.join((*trust.names, *trust.addresses))}")
