"""``python -m nightreel``."""

from nightreel.cli import main

if __name__ == "__main__":
    main()
