"""``python -m slowglass``: the same as the ``slowglass`` command."""

from slowglass.cli.main import main

if __name__ == "__main__":
    main()
