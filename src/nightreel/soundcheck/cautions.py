"""What has to be said before something plays, and again when the desk goes back to live."""

from __future__ import annotations

BEFORE_PLAYING = (
    "Mute every in-ear transmitter first, then set the desk to its returns, then play: it may reach people's ears.",
    "See that nobody on stage stands at a loudspeaker or wears in-ears, and tell the stage that playback begins.",
    "Playback starts 30 dB low and rises within seconds; one key stops it within 20 ms.",
)

# NIOSH Pub. 98-126: 85 dBA over 8 h, 3 dB exchange rate, so T = 8 h / 2^((L - 85) / 3).
# WHO global standard for safe listening venues and events (2022): 100 dB LAeq,15 min.
HEARING = (
    "Hearing: a soundcheck counts. NIOSH recommends at most 85 dBA over 8 hours, and half the time for each 3 dB more "
    "(94 dBA: 1 hour, 100 dBA: 15 minutes); for audiences the WHO standard for venues and events sets 100 dB LAeq over "
    "15 minutes. The law and the venue's rules where you are come first."
)

BACK_TO_LIVE = (
    "The desk is set to its returns until you have switched it back. Channels that listen to a return are deaf to the "
    "stage: prove that all are live again before doors.",
)


def niosh_minutes(level_dba: float) -> float:
    """Longest recommended exposure in minutes at a constant level. Source: NIOSH Publication 98-126, 1.1.2."""
    return float(480.0 / 2.0 ** ((level_dba - 85.0) / 3.0))
