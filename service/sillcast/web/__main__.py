"""Start the service: `python -m sillcast.web`; configured by `SILLCAST_*`, see `--help` and `--check`."""

import argparse
import logging
import os
import sys

from sillcast.errors import RegistryError
from sillcast.web.app import build_app
from sillcast.web.server import serve
from sillcast.web.settings import Settings, SettingsError, variable


def main(arguments: list[str]) -> int:
    """Serve, or check the configuration; 2 if it is wrong, 3 if the kernels cannot be warmed."""
    options = _options(arguments)
    try:
        settings = Settings.from_environment(_environment(options))
        app = build_app(settings=settings)
    except (SettingsError, RegistryError) as error:
        for line in str(error).splitlines():
            sys.stderr.write(f"sillcast cannot start: {line}\n")
        return 2
    if options.check:
        for name, value in settings.as_environment().items():
            print(f"{name}={value}")
        for refused in app.state.service.planner.registry.refused:
            print(f"# left out: {refused.origin}: {refused.reason}")
        return 0
    logging.basicConfig(format="%(message)s", stream=sys.stderr)
    logging.getLogger("sillcast").setLevel(logging.INFO if settings.log == "on" else logging.ERROR)
    return serve(app, settings)


def _options(arguments: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m sillcast.web",
        description="Serve sillcast over HTTP.",
        epilog=f"environment variables, with their defaults:\n{Settings.described()}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--host", help="address to listen on")
    parser.add_argument("--port", help="port to listen on; 0 lets the system choose one")
    parser.add_argument("--check", action="store_true", help="check and print the configuration, then end")
    return parser.parse_args(arguments)


def _environment(options: argparse.Namespace) -> dict[str, str]:
    given = {variable("host"): options.host, variable("port"): options.port}
    return {**os.environ, **{name: value for name, value in given.items() if value is not None}}


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
