"""Run the command line with ``python -m thermosprout``."""

from thermosprout.cli.app import main

if __name__ == "__main__":
    main()
