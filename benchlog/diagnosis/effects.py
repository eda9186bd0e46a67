"""What a check changes on the bench: clips fitted again, the dial turned, points scraped, a setting cleared."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from benchlog.diagnosis.catalogue import load_catalogue
from benchlog.diagnosis.hidden import Hidden, Noise

Floats = npt.NDArray[np.float64]
Booleans = npt.NDArray[np.bool_]

_MOVES = 0.5  # share of checks at which a dirty switch that does not rest moves by itself: judgement
_ALIKE = 0.5  # correlation of the pick-up before and after clips, leads or hands were moved: judgement
_PICKS_UP_ALIKE = 0.02  # and where everything is put back as it was: judgement
_SELDOM = 0.15  # share of times that clips lie differently with a person who usually puts them back as they were, and the reverse: judgement
_MADE = 0.08  # share of clips that make contact when they are only taken off and put on again: judgement
REDONE = frozenset(
    {"reread", "reading_again", "reselect_function", "other_leads", "remake_contact", "new_battery"}
)
"""Checks that read the same points again with the same instrument."""
_SHAKES = {"wiggle_leads": "lead_drop", "wiggle_part": "part_drop"}
_SET_AGAIN = frozenset({"reselect_function", "remake_contact", "new_battery", "other_leads"})
_COMES_TO_REST = REDONE | {"load_150", "wiggle_leads", "wiggle_part", "look"}
_DIAL_TURNED = frozenset(
    {
        "short_tips_ohms",
        "dc_same_points",
        "fresh_cell",
        "known_resistor",
        "ohms_output",
        "ohms_plug",
        "generator_50hz",
    }
)
_TURNED_FROM_OHMS = frozenset({"fresh_cell"})
_CLIPPED_AGAIN = (
    _DIAL_TURNED
    | {"reselect_function", "remake_contact", "reading_again", "other_leads", "load_150", "short_tips"}
    | {"second_meter", "scope_output", "new_battery", "wiggle_leads", "wiggle_part"}
    | {"probe_on_calibrator", "ground_input", "generator_at_frequency"}
)


def move(action: str, h: Hidden, noise: Noise) -> None:
    """Change in place what `action` moves before the reading: clips fitted again pick up something else."""
    if action in _CLIPPED_AGAIN:
        # However often it moves, it stays within what a floating input picks up.
        median, spread = load_catalogue().pick_up
        moved, p_anew = noise.normal(0.0, 1.0), np.where(h["clips_vary"] > 0, 1.0 - _SELDOM, _SELDOM)
        anew = (h["ghost"] / median) ** _ALIKE * np.exp(spread * np.sqrt(1.0 - _ALIKE**2) * moved)
        as_it_was = h["ghost"] * np.exp(_PICKS_UP_ALIKE * moved)
        anew_now = noise.random() < p_anew
        h["ghost"] = np.where(anew_now, median * anew, as_it_was)
        for name in ("hum", "wandered"):
            fresh = load_catalogue().hidden["ac_volts"][name].draw(noise.rng, noise.n)
            h[name] = np.where(anew_now, fresh, h[name])


def change(action: str, h: Hidden, noise: Noise, *, on_ohms: bool = False) -> None:
    """Change the hidden states as `action` does, in place; `on_ohms` where the dial is on ohms already."""
    turned = action in (_TURNED_FROM_OHMS if on_ohms else _DIAL_TURNED)
    if action in _COMES_TO_REST:
        h["settling"] = np.ones_like(h["settling"])
    if action in _SET_AGAIN:
        now = tried(action, h)
        back = h["put_back"] > 0
        for name in ("wrong_function", "decade", "range_short", "hold", "relative", "mode"):
            h[name] = np.where(back, h[name], now[name])
        for name in ("frozen", "battery", "contact_open", "contact_share"):
            h[name] = now[name]
        if action == "remake_contact":
            h["polarity"] = now["polarity"]
    if action in _SHAKES:
        drop = h[_SHAKES[action]]
        h["open_now"] = np.where(drop > 0, noise.random() < drop, h["open_now"])
    if action in _CLIPPED_AGAIN:
        h["contact_open"] = h["contact_open"] * (noise.random() > _MADE)
    if turned:
        # Most meters clear it when the dial turns, so it is gone when the dial is turned back.
        h["hold"] = h["hold"] * h["hold_sticks"]
        h["relative"] = h["relative"] * h["relative_sticks"]
    if turned or action == "reselect_function":
        h["dirt"] = noise.wiped() + np.zeros_like(h["dirt"])
    elif action != "look":
        moved = (noise.random() < _MOVES) & (h["joint_rests"] == 0)
        h["dirt"] = np.where(moved, noise.wiped(), h["dirt"])


def tried(action: str, h: Hidden) -> Hidden:
    """Return the hidden states as they are while `action` is being tried."""
    off = np.zeros_like(h["gain"])
    cleared = {"hold": off, "relative": off, "mode": off}
    woken = h["frozen"] * (1.0 - h["frozen_wakes"])
    if action == "reselect_function":
        setting = {"wrong_function": off, "decade": off, "range_short": off}
        return {**h, **cleared, **setting, "frozen": woken}
    if action == "new_battery":
        return {**h, **cleared, "range_short": off, "frozen": woken, "battery": np.ones_like(off)}
    if action == "remake_contact":
        scraped = {
            "contact_open": h["contact_open"] * (1.0 - h["remake_works"]),
            "contact_share": h["contact_share"] * (1.0 - h["remake_works"] * h["added_at_points"]),
        }
        return {**h, **scraped, "polarity": refitted(h, corrected=h["polarity_place"] == 0)}
    if action == "other_leads":
        turned = refitted(h, corrected=h["polarity_place"] < 2)
        return {**h, "in_current_jack": off, "added_r": off, "polarity": turned}
    return h


def refitted(h: Hidden, *, corrected: Booleans) -> Floats:
    """Return the polarity after somebody fitted the leads again, which can have corrected it."""
    return np.where(corrected & (h["polarity_seen"] > 0), 1.0, h["polarity"])
