"""A setting in a few words, the same on paper and on the stage."""

from __future__ import annotations

from tempotape.advice.settings import Setting


def answer_sentence(setting: Setting) -> str:
    """The one answer in words."""
    if setting.knob is None:
        return f"{setting.note} on head {setting.head}: {setting.reasons[0]}"
    return (
        f"head {setting.head}, knob at {setting.knob_text}: {setting.note}, "
        f"{setting.delay_ms:.1f} ms within {setting.error_ms:.1f} ms, "
        f"{timing_word(setting)}, {zone_words(setting)}"
    )


def timing_word(setting: Setting) -> str:
    return "in time" if setting.in_time else "loose"


def zone_words(setting: Setting) -> str:
    """Steadiness in words, with its figure where there is one."""
    told = "steadiness unknown" if setting.zone == "unknown" else setting.zone
    if setting.flutter_percent is None:
        return told
    return f"{told} (flutter {setting.flutter_percent:.1f} %)"
