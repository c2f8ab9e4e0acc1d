"""A recording made from a driven trip."""

from __future__ import annotations

import numpy as np

HZ = 10


def record(run, folder, *, noise_rpm=20.0, missing=0.02, states=False, seed=3):
    """Writes a recording of a trip and its mapping; returns the mapping's path."""
    draw = np.random.default_rng(seed)
    frame = run.to_frame()
    K = len(frame)
    row = np.repeat(np.arange(K), HZ)
    time = np.arange(K * HZ) / HZ
    machines = [m.name for m in run.layout.machines]
    columns = {"t": [f"{t:.1f}" for t in time]}
    for short, name in (("v", "speed_kmh"), ("tq", "engine_torque_Nm"), ("fuel", "fuel_g_s")):
        columns[short] = [f"{x:.5f}" for x in frame[name].to_numpy()[row]]
    for name in ("engine", *machines):
        speed = frame[f"{name}_speed_rpm"].to_numpy()[row]
        columns[f"n_{name}"] = [f"{x:.1f}" for x in speed + noise_rpm * draw.standard_normal(time.size)]
    actuators = [e.name for e in (*run.layout.clutches, *run.layout.brakes, *run.layout.shifters)]
    if states:
        for name in actuators:
            columns[f"a_{name}"] = [x if isinstance(x, str) else f"{x:g}" for x in frame[name].to_numpy()[row]]
    keep = np.ones(time.size, bool)
    while (~keep).mean() < missing:
        at = draw.integers(time.size)
        keep[at:at + draw.integers(3, 15)] = False
    lines = [",".join(columns), *(",".join(c[i] for c in columns.values()) for i in np.flatnonzero(keep))]
    (folder / "drive.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    text = ['recording = "drive.csv"', f"noise_rpm = {max(noise_rpm, 1.0)}", "[columns]", 'time_s = "t"', 'speed_kmh = "v"',
            'engine_rpm = "n_engine"', 'engine_torque_Nm = "tq"', 'fuel_g_s = "fuel"', "[machine_rpm]"]
    text += [f'{name} = "n_{name}"' for name in machines]
    if states:
        text += ["[states]", *(f'{name} = "a_{name}"' for name in actuators)]
    path = folder / "drive.toml"
    path.write_text("\n".join(text) + "\n", encoding="utf-8")
    return path
