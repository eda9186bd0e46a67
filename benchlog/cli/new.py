"""Make a project folder: a plan and a bench file with comments to fill in, and schemas for editors.

The project runs straight away on the simulated bench:
  benchlog new my-controller && cd my-controller && benchlog run plan.toml
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.errors import UsageError
from benchlog.files import write_whole
from benchlog.plan import plan_schema

if TYPE_CHECKING:
    from benchlog.cli.context import Context


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("dir", metavar="DIR", help="folder to create; existing files are never overwritten")


def run(args: argparse.Namespace, ctx: Context) -> int:
    from importlib.resources import files

    from benchlog.bench import bench_schema
    from benchlog.simulation import simulated_bench

    folder = Path(args.dir)
    bench = "#:schema ./bench.schema.json\n" + simulated_bench().bench_toml()
    contents = {
        "plan.toml": (files("benchlog.templates") / "plan.toml").read_text(encoding="utf-8"),
        "bench.toml": bench,
        "plan.schema.json": json.dumps(plan_schema(), indent=1) + "\n",
        "bench.schema.json": json.dumps(bench_schema(), indent=1) + "\n",
    }
    there = [name for name in contents if (folder / name).exists()]
    if there:
        raise UsageError(
            f"{folder} already holds {', '.join(there)}", hint="choose another folder, or move them away"
        )
    made = not folder.exists()
    folder.mkdir(parents=True, exist_ok=True)
    try:
        for name, text in contents.items():
            write_whole(folder / name, text)
    except BaseException:  # all four files or none, so that you can simply try again
        for name in contents:
            (folder / name).unlink(missing_ok=True)
        if made:
            folder.rmdir()
        raise
    if ctx.json:
        ctx.print_json({"schema": "benchlog.new/1", "folder": str(folder), "files": list(contents)})
    else:
        ctx.console.print(f"{folder}: {', '.join(contents)}")
        ctx.console.print(f"next: cd {folder} && benchlog run plan.toml")
    return 0
