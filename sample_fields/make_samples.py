"""Write the sample fields of this folder again; the result is the same on every machine.

Run from the top of the repository: ``python sample_fields/make_samples.py``.
"""

from pathlib import Path

from covermap.sample import SAMPLE_NAMES, write_sample

if __name__ == "__main__":
    for name in SAMPLE_NAMES:
        write_sample(Path(__file__).parent / name, name, replace=True)
