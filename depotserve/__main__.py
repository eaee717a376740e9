"""Run the commands: `python -m depotserve`."""

from depotserve.cli import run

__all__: list[str] = []

if __name__ == "__main__":
    run()
