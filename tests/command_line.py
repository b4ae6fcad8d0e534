"""The command line, in this process."""

from __future__ import annotations

from typer.testing import CliRunner

from extractor.cli import app

RUNNER = CliRunner()


def run(*arguments: object) -> tuple[int, str, str]:
    result = RUNNER.invoke(app, [str(a) for a in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout, result.stderr
