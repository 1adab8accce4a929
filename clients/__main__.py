"""``python -m clients`` is the command ``thumbrule``."""

from clients.cli import main

if __name__ == "__main__":
    main(prog_name="thumbrule")
