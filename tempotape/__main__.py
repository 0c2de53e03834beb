"""`python -m tempotape` is the same as `tempotape`."""

from tempotape.cli import main

if __name__ == "__main__":
    main()
