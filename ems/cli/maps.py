"""``ems maps``: components that are shipped; a component or a map of your own checked and drawn."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ems.cli import common

if TYPE_CHECKING:
    from ems.components.listing import Component


@click.command("maps")
@click.argument("words", nargs=-1, metavar="[MAP]...")
@common.options()
def command(run: common.Run, words: tuple[str, ...]) -> None:
    """Engines, machines, batteries, vehicles and fuels that are shipped, or those named, checked and told in full.

    A MAP is a short name, or a TOML file of your own with the CSV files it names. With --out each is drawn too, as PNG and SVG:
    contours of fuel or efficiency within the limits, and the line of least fuel.
    """
    if words:
        _show_named(run, words)
    else:
        _show_shipped(run)


def _show_shipped(run: common.Run) -> None:
    from ems.cli.tables import table
    from ems.components.listing import shipped_rows

    rows = shipped_rows()
    shown = [(row["kind"], row["name"], row["title"], _in_short(row)) for row in rows]
    run.finish({"maps": rows}, [table(("kind", "name", "what it is", "in short"), shown),
                                "`ems maps NAME --out DIR` tells all of one and draws it."])


def _show_named(run: common.Run, words: tuple[str, ...]) -> None:
    from ems.components.listing import row

    components = _named(words)
    rows = [row(c) for c in components]
    text: list[Any] = []
    for one in rows:
        text += _told(one)
    files: dict[str, Any] = {}
    if run.out is not None:
        for name, component in zip(_file_names(components), components, strict=True):
            for kind in ("png", "svg"):
                files[f"{name}.{kind}"] = _drawer(component)
    else:
        run.note("with --out DIR it is drawn as well")
    run.finish({"maps": rows}, text, files)


def _drawer(component: Component) -> Any:
    """What writes the picture to the path it is given."""
    def draw(path: Path) -> None:
        from ems.present.map_figures import save_component

        save_component(component, path)

    return draw


def _file_names(components: list[Component]) -> list[str]:
    """A name for each, numbered where two are alike."""
    names: list[str] = []
    for component in components:
        alike = sum(n == component.name or n.rpartition("-")[0] == component.name for n in names)
        names.append(f"{component.name}-{alike + 1}" if alike else component.name)
    return names


def _named(words: tuple[str, ...]) -> list[Component]:
    """Components by short name or file; every mistake of all of them at once."""
    from ems.errors import InputError, Mistakes

    mistakes, found = Mistakes(), []
    for word in words:
        try:
            found.append(_load(word))
        except InputError as error:
            mistakes.extend(error)
    mistakes.raise_if_any()
    return found


def _load(word: str) -> Component:
    from ems import library
    from ems.cli.filekinds import component_kind
    from ems.components.listing import KINDS, shipped_kinds
    from ems.errors import InputError, Mistake, nearest_name

    if library.is_path(word):
        return KINDS[component_kind(word)](word, where="MAP", key="")
    known = shipped_kinds()
    if word.lower() not in known:
        raise InputError([Mistake("MAP", "", f"'{word}'", f"a file (with its suffix), or one of {', '.join(known)}",
                                  nearest_name(word, known))])
    return KINDS[known[word.lower()]](word, where="MAP", key="")


# ------------------------------------------------------------------------------------------------------------- in words


def _in_short(row: dict[str, Any]) -> str:
    """The two or three figures that tell components of a kind apart."""
    match row["kind"]:
        case "engine":
            return f"{row['rated_kW']:g} kW, best {row['best_fuel_g_kWh']:g} g/kWh"
        case "machine":
            return f"peak {row['peak_kW']:g} kW, {row['peak_torque_Nm']:g} N m, best {row['best_driving_percent']:g} %"
        case "battery":
            return f"{row['energy_kWh']:g} kWh, gives {row['discharge_at_target_kW']:g} kW, takes {row['charge_at_target_kW']:g} kW"
        case "vehicle":
            return f"{row['mass_kg']:g} kg, {row['power_at_100kmh_kW']:g} kW at 100 km/h"
    return f"{row['heating_value_MJ_kg']:g} MJ/kg, {row['co2_g_l']:g} g CO2/l"


def _told(row: dict[str, Any]) -> list[Any]:
    """Everything about one component, a line each."""
    from ems.present.text import columns
    from ems.quantities import unit_from_name

    shown = []
    for key, value in row.items():
        if key in ("name", "kind", "title", "source", "invented", "notes", "axles") or value is None:
            continue
        unit = unit_from_name(key)
        shown.append((_words(key), f"{value:g}" if isinstance(value, int | float) else str(value), "" if unit == "-" else unit))
    axles = [f"  axle {a['name']}: {_axle(a)}" for a in row.get("axles", [])]
    return [f"{row['name']}: {row['kind']}; {row['title']}", columns(shown, (False, True, False)), *axles,
            f"  source: {row['source']}", *(["  invented: yes"] if row["invented"] else []), *(f"  note: {n}" for n in row["notes"])]


def _words(key: str) -> str:
    """A key without its unit, in words: ``road_load_at_50kmh_N`` is 'road load at 50 km/h'."""
    import re

    from ems.quantities import SUFFIXES

    bare = key.removesuffix(next((s for s in SUFFIXES if key.endswith(s)), "")).replace("_", " ")
    return re.sub(r"(\d)([a-zA-Z])", r"\1 \2", bare).replace("kmh", "km/h")


def _axle(axle: dict[str, Any]) -> str:
    parts = []
    if axle["weight_share"] is not None:
        parts.append(f"{100 * axle['weight_share']:g} % of the weight, grip {axle['grip_N']:g} N")
    if axle["regeneration_share"] < 1.0:
        parts.append(f"recovers at most {100 * axle['regeneration_share']:g} % of the braking force")
    if axle["regeneration_m_s2"] is not None:
        parts.append(f"recovers at most {axle['regeneration_m_s2']:g} m/s2")
    return "; ".join(parts) or "no limits"
