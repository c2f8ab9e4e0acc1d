"""``ems new``: copy a shipped layout to a file of the user's."""

from __future__ import annotations

from pathlib import Path

import click

from ems.cli import common


@click.command("new")
@click.argument("name")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=True))
@common.options()
def command(run: common.Run, name: str, file: Path) -> None:
    """Copy the shipped layout NAME to FILE, a layout file of your own that you can change.

    Vehicle, engine, machines and battery stay the shipped ones until you name your own files. With --out DIR, FILE is
    written there; --force replaces a FILE that exists.
    """
    from ems import library
    from ems.errors import InputError, Mistake, RunError
    from ems.output import write_atomically

    source = library.find("layout", name, where="NAME")
    if file.exists() and not file.is_file():
        raise InputError([Mistake("FILE", "", f"'{file}', a folder" if file.is_dir() else f"'{file}', which is no file",
                                  "the file to write, ending in .toml")])
    target = file.with_name(f"{file.name}.toml") if file.suffix == "" else file
    if target.suffix.lower() != ".toml":
        raise InputError([Mistake("FILE", "", f"'{file}'", "a file name that ends in .toml")])
    content = source.read_bytes()
    facts = {"layout": source.stem, "file": str(target)}
    if run.folder is not None:
        if target.name != str(target):
            raise InputError([Mistake("FILE", "", f"'{file}'", "a plain file name when --out says the folder")])
        run.finish({**facts, "file": str(run.folder.path / target)}, files={target.name: content})
        return
    if target.exists() and not run.force:
        raise InputError([Mistake("FILE", "", f"'{target}', which exists", "a new file, or --force to replace it")])
    try:
        write_atomically(target, content)
    except OSError as error:
        raise RunError(f"{target}: {error.strerror or error}") from error
    run.finish(facts, f"{source.stem} copied to {target}. Change it, then `ems check {target}`.")
