"""Why a cross-coupled stage turns its base-emitter junctions back by nearly the whole supply."""

from __future__ import annotations

from rules.derivations.model import Derivation, Step, Symbol

DERIVATION = Derivation(
    slug="base-emitter-reverse",
    symbols=(
        Symbol("V_S", "supply voltage", "V"),
        Symbol("V_LED", "drop of an LED in the collector lead, 0 without one", "V", "nonnegative"),
        Symbol("V_BE", "base-emitter drop of the transistor that conducts", "V"),
        Symbol("V_CE_sat", "collector-emitter voltage in saturation", "V"),
        Symbol("V_C", "voltage of the capacitor, collector end above base end", "V", "real"),
        Symbol("V_B", "voltage of the base just after the change", "V", "real"),
        Symbol("V_EB", "reverse voltage of the base-emitter junction", "V", "real"),
        Symbol("V_EBO", "rated reverse voltage of the junction", "V"),
        Symbol("share", "share of it that is in use at most", ""),
    ),
    steps=(
        Step(
            "While one transistor is off its collector stands at the supply, less the LED there; the other"
            " end"
            " of the capacitor stands at the base that conducts.",
            "V_C",
            "=",
            "V_S - V_LED - V_BE",
            "law",
            source="Kirchhoff's voltage law",
        ),
        Step(
            "Then that collector falls to saturation. The capacitor cannot follow at once, so it takes the"
            " base"
            " along.",
            "V_B",
            "=",
            "V_CE_sat - V_C",
            "law",
            source="Kirchhoff's voltage law; the charge of a capacitor does not jump",
        ),
        Step(
            "Below the emitter means the junction is reversed.",
            "V_EB",
            "=",
            "-V_B",
            "definition",
            source="definition, with the emitter at 0 V",
        ),
        Step(
            "So nearly the whole supply stands across the junction.",
            "V_EB",
            "=",
            "V_S - V_LED - V_CE_sat - V_BE",
            "derived",
            uses=(0, 1, 2),
            without=("V_C", "V_B"),
        ),
        Step(
            "A junction that breaks down loses gain each time; a share of its rating is used at most.",
            "V_EB",
            "<=",
            "share*V_EBO",
            "limit",
            source="V_EBO: sheets of the types; 0.8 of it: common practice, no source",
        ),
        Step(
            "That is the highest supply such a stage can have without a diode in its bases.",
            "V_S",
            "<=",
            "share*V_EBO + V_LED + V_CE_sat + V_BE",
            "derived",
            uses=(3, 4),
            without=("V_EB",),
        ),
    ),
    plain=(),
    example={"V_S": 3.0, "V_LED": 0.0, "V_BE": 0.7, "V_CE_sat": 0.2, "V_EBO": 5.0, "share": 0.8},
)
