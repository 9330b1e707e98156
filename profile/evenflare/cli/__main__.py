"""`python -m evenflare.cli`: the command line without its script, as processes of this program begin it."""

from evenflare.cli import main

if __name__ == "__main__":
    main()
