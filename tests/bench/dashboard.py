"""The dashboard's models beside the published schema types, and its Flux beside a Flux compiler.

    python -m tests.bench.dashboard

Needs `npm`: into a temporary folder it installs @grafana/schema with a TypeScript compiler, and
@influxdata/flux-lsp-browser, a Flux compiler with the types of the standard library. The schema
says nothing of what data sources define by themselves: targets, and settings of annotations.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from logger.dashboard.model import SOURCES, dashboard
from tests.servers import needed

PACKAGES = ("@grafana/schema@13", "typescript@5", "@influxdata/flux-lsp-browser@0.8")
KINDS = {  # module of the schema, type of its options, type of its fields
    "stat": ("stat", "Options", "Record<string, unknown>"),
    "table": ("table", "Options", "FieldConfig"),
    "timeseries": ("timeseries", "Options", "FieldConfig"),
    "state-timeline": ("statetimeline", "Options", "FieldConfig"),
}
CAPITALS = {
    "stat": "Stat",
    "table": "Table",
    "timeseries": "TimeSeries",
    "statetimeline": "StateTimeline",
}
HEAD = """\
import type { AnnotationQuery, Dashboard, DataQuery, FieldConfig, FieldConfigSource, Panel,
    RowPanel, VariableModel } from '@grafana/schema';
// The types name members of enumerations; a file has their values.
type Plain<T> = T extends string ? `${T}` : T extends number | boolean | null | undefined ? T
    : T extends (infer I)[] ? Plain<I>[]
    : unknown extends T ? unknown
    : T extends object ? { [K in keyof T]: Plain<T[K]> } : T;
type Free = Record<string, unknown>;
type Annotation = Plain<Omit<AnnotationQuery, 'target'>> & { target: DataQuery & Free } & Free;
"""
# The compiler is a WebAssembly module that its script imports in a way meant for bundlers.
LOADER = """\
import fs from 'fs';
import * as self from './flux.mjs';
const wasm = (await WebAssembly.instantiate(fs.readFileSync('%s_bg.wasm'),
    { './flux-lsp-browser_bg.js': self })).instance.exports;
"""
FLUX = """\
import fs from 'fs';
import { is_valid_flux } from './flux.mjs';
for (const script of JSON.parse(fs.readFileSync('scripts.json', 'utf8')))
    console.log(is_valid_flux(script) ? 'valid' : 'INVALID ' + script);
"""
# Wrong values, which show that errors would be found.
WRONG = """\
// @ts-expect-error
export const wrong_1 = {"schemaVersion": 39, "titel": "x"} satisfies Plain<Dashboard>;
// @ts-expect-error
export const wrong_2 = {"drawStyle": "rods"} satisfies Partial<Plain<timeseries.FieldConfig>>;
"""
WRONG_FLUX = 'from(bucket: "station") |> range(start: -1h) |> last(colum: "_value")'


def typed(source: str, model: dict[str, Any]) -> Iterator[str]:
    """TypeScript that compiles if the model has the published types."""
    rest = {name: value for name, value in model.items() if name not in ("panels", "annotations")}
    yield f"export const {source} = {json.dumps(rest)} satisfies Plain<Dashboard>;"
    for number, mark in enumerate(model["annotations"]["list"]):
        yield f"export const {source}_a{number} = {json.dumps(mark)} satisfies Annotation;"
    for panel in model["panels"]:
        name = f"{source}_{panel['id']}"
        if panel["type"] == "row":
            yield f"export const {name} = {json.dumps(panel)} satisfies Plain<RowPanel>;"
            continue
        module = KINDS[panel["type"]][0]
        defaults = panel["fieldConfig"]["defaults"]
        yield f"export const {name} = {json.dumps(panel)} satisfies Plain<Panel>;"
        yield (
            f"export const {name}_o = {json.dumps(panel['options'])}"
            f" satisfies Partial<Plain<{module}.Options>>;"
        )
        fields = KINDS[panel["type"]][2]
        fields = fields if "<" in fields else f"{module}.{fields}"
        yield (
            f"export const {name}_f = {json.dumps(defaults['custom'])}"
            f" satisfies Partial<Plain<{fields}>>;"
        )


def imports() -> Iterator[str]:
    for module, *_ in KINDS.values():
        path = f"raw/composable/{module}/panelcfg/x/{CAPITALS[module]}PanelCfg_types.gen"
        yield f"import type * as {module} from '@grafana/schema/dist/esm/{path}';"


def scripts(model: dict[str, Any]) -> list[str]:
    """All Flux of a model, with variables filled in."""
    queries = [t["query"] for panel in model["panels"] for t in panel.get("targets", ())]
    queries += [mark["target"]["query"] for mark in model["annotations"]["list"]]
    queries += [variable["query"] for variable in model["templating"]["list"][1:]]
    filled = []
    for query in queries:
        for name, value in {
            "${station:json}": '"pier\'s end"',
            "${channel:regex}": "(3|20)",
            "${station_id:regex}": ".*",
            "v.defaultBucket": '"station"',
            "v.timeRangeStart": "-24h",
            "v.timeRangeStop": "now()",
            "v.windowPeriod": "10m",
        }.items():
            query = query.replace(name, value)
        filled.append(query)
    return filled


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)

        def run(*command: str) -> subprocess.CompletedProcess[str]:
            return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)

        (folder / "package.json").write_text('{"type": "module"}')
        installed = run(needed("npm"), "install", "--no-audit", "--no-fund", *PACKAGES)
        assert installed.returncode == 0, installed.stderr
        models = {source: dashboard(source) for source in SOURCES}
        lines = [HEAD, *imports(), WRONG]
        lines += [line for s, m in models.items() for line in typed(s, m)]
        (folder / "models.ts").write_text("\n".join(lines))
        compiled = run(
            *("node_modules/.bin/tsc", "--noEmit", "--strict", "--skipLibCheck"),
            *("--module", "nodenext", "--target", "es2022", "models.ts"),
        )
        print(compiled.stdout or f"types: {len(lines)} statements, no error")
        every = scripts(models["influxdb2"])
        (folder / "scripts.json").write_text(json.dumps([*every, WRONG_FLUX]))
        (folder / "check.mjs").write_text(FLUX)
        compiler = folder / "node_modules/@influxdata/flux-lsp-browser/flux-lsp-browser"
        glue = compiler.with_name(f"{compiler.name}_bg.js").read_text()
        bundled = "import * as wasm from './flux-lsp-browser_bg.wasm';"
        assert bundled in glue
        (folder / "flux.mjs").write_text(glue.replace(bundled, LOADER % compiler))
        checked = run(needed("node"), "check.mjs")
        verdicts = checked.stdout.splitlines()
        print("\n".join(line for line in verdicts if line != "valid"))
        valid = verdicts.count("valid")
        print(f"Flux: {valid} of {len(every)} scripts valid, and a wrong one is not")
        is_good = valid == len(every) and verdicts[-1] == f"INVALID {WRONG_FLUX}"
        print(checked.stderr if not is_good else "")
        sys.exit(compiled.returncode or not is_good)


if __name__ == "__main__":
    main()
