"""Write a measured spread as a profile file that field files can name."""

from __future__ import annotations

from collections.abc import Mapping

from covermap.tray_test.trays import MeasuredProfile


def profile_file_text(
    profile: MeasuredProfile, metadata: Mapping[str, str] | None = None, made_by: str = ""
) -> str:
    """Write a measured profile as TOML for ``[spread] profile_file = "…"``.

    Parameters
    ----------
    profile : MeasuredProfile
    metadata : mapping of str to str, optional
        What the test file says of itself (wind, crop, date); goes in as comments.
    made_by : str
        Program and version, for the comments.

    Returns
    -------
    str
        TOML with one section, [spread]; lengths in metres.
    """
    kept = sum(profile.run_kept)
    comments = [
        'Spread measured with trays. In a field file: [spread] profile_file = "this file".',
        f"Source: {profile.name}, {kept} of {len(profile.run_kept)} runs, "
        f"{profile.ledger.get('trays', 0)} trays." + (f" Made by {made_by}." if made_by else ""),
        f"Lean {profile.lean_m:+.2f} m (+ right, looking forward), already in the shares.",
        *(f"{key}: {value}" for key, value in (metadata or {}).items()),
        *(note.text() for note in profile.notes),
    ]
    rows = [", ".join(f"{s:.6f}" for s in profile.shares[k : k + 8]) for k in _every(profile, 8)]
    return (
        "\n".join(f"# {_one_line(comment)}" for comment in comments)
        + '\n\n[spread]\nprofile = "table"\n'
        + "# metres from the machine's centre line to the ends of the table\n"
        + f"reach_left = {profile.table_left_m:.3f}\n"
        + f"reach_right = {profile.table_right_m:.3f}\n"
        + "# share of the residue in equal steps from left to right\n"
        + "shares = [\n"
        + "".join(f"  {row},\n" for row in rows)
        + "]\n"
    )


def _every(profile: MeasuredProfile, count: int) -> range:
    return range(0, len(profile.shares), count)


def _one_line(text: str) -> str:
    """Leave only what TOML allows in a comment: no line break, no control character."""
    return "".join(c if c.isprintable() else " " for c in text)
