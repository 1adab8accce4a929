"""The text of a run, word for word."""

from __future__ import annotations

from tests.clients.gate.repo import FAULT, LAMP, RULES, TODAY, WORSE, Repo, gate, lamp, waived


def test_the_whole_text(repo: Repo) -> None:
    commit = repo.commit({"thumbrule.toml": RULES, "yard/lamp.yaml": FAULT, "spare.yaml": waived(LAMP),
                          "late.yaml": waived(FAULT, "2026-10-31"), "old.yaml": LAMP})  # fmt: skip
    repo.git("rm", "--quiet", "old.yaml")
    repo.write({"yard/lamp.yaml": WORSE.replace("Q1:", "T7:"), "late.yaml": waived(FAULT, "2027-10-31"),
                "spare.yaml": waived(lamp("1.1k")), "thumbrule.toml": RULES + '[series]\nfilm = "E6"\n'})
    assert gate("--base", "main").stdout == f"""\
the working tree against main ({commit[:10]}), {TODAY}

late.yaml (changed)
  reopened  warning: min-beta-drive: Q1, R1, net base, line 8
            1.522, limit >= 3; margin -49.3 % of the limit
            Q1 gets 1.33 mA of base current and needs 876 uA to saturate with 46
            mA at its least gain of 52.5: 1.52 times as much where 3 times is
            wanted (Q1 saturated (U1 high), beta min, LP1 -5 %, R1 +5 %, V_BE
            0.75 V, 0 degC). At switch-on LP1 may draw several times this
            current.
            waiver expired: /waivers/0 of the base; reason "the lamp is dimmed
              on purpose" (owner bench, expires 2026-10-31): it was in force to
              2026-10-31, 29 days ago
  waiver    proposed: /waivers/0 of the head: min-beta-drive at Q1, R1; reason
              "the lamp is dimmed on purpose" (owner bench, expires 2027-10-31):
              proposed by this change; it is in force only once it is in the
              base (it changes expires from 2026-10-31 to 2027-10-31)

spare.yaml (changed)
  eroded    min-beta-drive: Q1, in Q1 saturated: 4.565 -> 4.15, limit >= 3;
              still kept, margin down by 13.8 %
  waiver    unused: /waivers/0 of the base: min-beta-drive at Q1, R1; reason
              "the lamp is dimmed on purpose" (owner bench, expires 2027-06-30):
              min-beta-drive has no finding that names just Q1, R1; take the
              waiver out
  clean     nothing found

yard/lamp.yaml (changed)
  renamed   Q1 -> T7
  worsened  warning: min-beta-drive: R1, T7, net base, line 8
            1.522 -> 1.383, limit >= 3; margin -49.3 % -> -53.9 % of the limit
            T7 gets 1.21 mA of base current and needs 876 uA to saturate with 46
            mA at its least gain of 52.5: 1.38 times as much where 3 times is
            wanted (T7 saturated (U1 high), beta min, LP1 -5 %, R1 +5 %, V_BE
            0.75 V, 0 degC). At switch-on LP1 may draw several times this
            current.

old.yaml: deleted or renamed away
thumbrule.toml: policy proposed, not in effect here: series of film: as the
  rules have it -> E6

verdict: 1 worsened, 1 reopened (threshold warning); exit status 1
"""


def test_terms_that_a_change_eases_and_verdicts_that_it_takes_away(repo: Repo) -> None:
    ambient = "ambient: {low: -10 degC, nominal: 20 degC, high: 40 degC}\n"
    cold = FAULT.replace("ground: gnd\n", f"ground: gnd\n{ambient}")
    repo.commit({"thumbrule.toml": RULES, "lamp.yaml": cold})
    repo.write({"lamp.yaml": cold.replace("low: -10", "low: 15").replace("b: base}", "b: loose}")})
    text = gate("--base", "main").stdout
    assert text[text.index("  gone"):text.index("  clean")] == """\
  gone      warning: min-beta-drive: Q1, R1, net base
  unjudged  min-beta-drive: Q1: violated before, not judged any more:
              not-applicable: Q1 is a stage of unstated purpose, it rests in one
              region only and nothing tells a switch from an amplifier: nothing
              says that it is a switch; name its state under states: to have it
              judged
  unjudged  held before, not judged any more: saturation-headroom (Q1)
  terms     ambient: low -10 degC, nominal 20 degC, high 40 degC -> low 15 degC,
              nominal 20 degC, high 40 degC
"""
