#!/usr/bin/python3
"""Runs every R script here again and compares its table with the one that is kept. Ends with 77, skipped, where R or a
package is not there (Debian: r-base-core r-cran-survival r-cran-mass r-cran-boot r-cran-spc r-cran-sandwich)."""
import pathlib
import shutil
import subprocess
import sys

SKIPPED = 77
PACKAGES = ["survival", "MASS", "boot", "spc", "sandwich"]
FOLDER = pathlib.Path(__file__).resolve().parent


def has_r():
    if shutil.which("Rscript") is None:
        return False
    wanted = "stopifnot(" + ", ".join(f'requireNamespace("{name}", quietly = TRUE)' for name in PACKAGES) + ")"
    return subprocess.run(["Rscript", "-e", wanted], capture_output=True).returncode == 0


def main():
    if not has_r():
        print("R or a package is not installed: skipped")
        return SKIPPED
    different = []
    for script in sorted(FOLDER.glob("*.R")):
        made = subprocess.run(["Rscript", "--vanilla", script], capture_output=True, text=True, cwd=FOLDER, timeout=600)
        if made.returncode != 0:
            print(f"{script.name} ended with {made.returncode}:\n{made.stderr}")
            different.append(script.name)
        elif made.stdout != script.with_suffix(".csv").read_text():
            print(f"{script.name} prints another table than {script.stem}.csv")
            different.append(script.name)
        else:
            print(f"{script.name}: the same")
    return 1 if different else 0


if __name__ == "__main__":
    sys.exit(main())
