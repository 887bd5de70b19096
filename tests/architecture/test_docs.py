"""What the pages say is so: families and rule sets whole, code runs, files and targets are there, docstrings fit.

`python tests/architecture/test_docs.py` writes the generated parts of `plugins/docs` anew from the declarations.
"""

import ast
import doctest
import json
import re
import sys
from pathlib import Path

import msgspec
import pytest

from sillcast import needs
from sillcast.registry import Registry

ROOT = Path(__file__).parents[2]
PAGES = ROOT / "plugins" / "docs"
RULES_PAGE = PAGES / "rule-sets.md"
GUIDES = [ROOT / name for name in ("README.md", "DEVELOPERS.md", "plugins/README.md")]
MARK = "<!-- Written by tests/architecture/test_docs.py from the declarations; edit those, not this part. -->"
FAMILIES = [i.family for i in Registry.find().families]
SEATS = {
    "beside": "beside the door's way",
    "opening": "in the opening",
    "floor": "on the floor, elsewhere it detects nothing",
    "leaf": "on the leaf, elsewhere it detects nothing",
}


# --- what is generated ----------------------------------------------------------------------------------------------


def cell(text):
    return str(text).replace("|", "\\|").replace("\n", " ")


def table(head, rows):
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(cell(c) for c in line) + " |" for line in lines)


def said(text):
    """A message or remedy with the names of its values instead of format strings."""
    return re.sub(r"\{(\w+)(?:[:!][^}]*)?\}", r"`\1`", text)


def bounds(schema):
    if "enum" in schema:
        return ", ".join(f"`{v}`" for v in schema["enum"])
    inner = schema.get("items", schema)
    if isinstance(inner, dict) and "minimum" in inner:
        return f"{inner['minimum']:g} to {inner['maximum']:g}"
    return ""


def parameter_rows(params):
    defs = msgspec.json.schema(params)["$defs"]
    schema = defs[params.__name__]
    for name, field in schema["properties"].items():
        if name == "family":
            continue
        branch = next((b for b in field.get("anyOf", ()) if b.get("type") != "null"), field)
        default = "required" if name in schema["required"] else shown(field.get("default"))
        meaning = field.get("description") or branch.get("description") or "Corners in the door frame, in order. [m]"
        yield [f"`{name}`", default, bounds(branch), meaning]


def shown(default):
    if not isinstance(default, bool) and default in (None, [], (), {}):
        return "none"
    if not isinstance(default, bool | str | int | float):
        return "none set"
    return f"{default:g}" if isinstance(default, float) else f"{default}".lower()


def family_part(family):
    use = {
        "Senses": sorted(family.senses),
        "May serve": sorted(family.purposes),
        "Never alone for": sorted(family.never_alone),
        "Filters it can apply": sorted(family.filters),
        "Sends out": sorted(family.emits),
        "Can be disturbed by": sorted(family.sensitive_to),
    }
    facts = [[what, ", ".join(f"`{v}`" for v in values) or "none"] for what, values in use.items()]
    facts.append(["Needs a counterpart", "yes" if family.needs_counterpart else "no"])
    facts.append(["Belongs", SEATS[family.sits]])
    usual = [[f"`{t.parameter}`", shown(t.value), t.unit, t.reason] for t in family.typical]
    remarks = [
        [f"`{family.name}.{key}`", s.severity, said(s.message), said(s.remedy), s.source]
        for key, s in family.findings.items()
    ]
    parts = [
        ("Use", table(["", ""], facts)),
        ("Parameters", table(["parameter", "default", "bounds", "meaning"], parameter_rows(family.params))),
        ("Typical values", table(["parameter", "value", "unit", "reason"], usual)),
        ("Findings", table(["code", "severity", "says", "remedy", "source"], remarks)),
    ]
    return "\n\n".join(f"## {title}\n\n{text}" for title, text in parts) + "\n"


def rules_part():
    parts = []
    for name, rules in needs.rule_sets().items():
        rows = [
            [f"`{r.name}`", "to be given" if r.must_be_given else f"{r.value:g}", r.unit, r.edition or "all", r.clause,
             r.status, r.source, r.note]
            for r in rules.rules
        ]  # fmt: skip
        head = ["rule", "value", "unit", "edition", "clause", "status", "source", "note"]
        facts = [
            ["Revision of the data", rules.revision],
            ["Editions", ", ".join(rules.editions) + (" (the last by default)" if len(rules.editions) > 1 else "")],
            ["Motions", ", ".join(f"`{m}`" for m in rules.motions)],
            ["Protection is laid out as", f"`{rules.protection}`"],
            ["Body for protection", f"`{rules.body}`"],
            ["Body for activation", f"`{rules.activation_body}`"],
            ["Scope", rules.scope],
            ["Cautions", " ".join(rules.cautions) or "none"],
        ]
        parts.append(
            f"## `{name}`: {rules.title}\n\n{rules.summary}\n\n{table(['', ''], facts)}\n\n{table(head, rows)}"
        )
    return "\n\n".join(parts) + "\n"


def generated():
    """Page and what stands below its mark."""
    return {**{PAGES / f"{f.name}.md": family_part(f) for f in FAMILIES}, RULES_PAGE: rules_part()}


def write():
    for page, part in generated().items():
        prose = page.read_text().split(MARK)[0].rstrip()
        page.write_text(f"{prose}\n\n{MARK}\n\n{part}")


# --- families and rule sets -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("page", generated(), ids=lambda p: p.stem)
def test_generated_part_is_up_to_date(page):
    _, _, part = page.read_text().partition(MARK)
    assert part.strip() == generated()[page].strip(), "run python tests/architecture/test_docs.py"


@pytest.mark.parametrize("family", FAMILIES, ids=lambda f: f.name)
def test_family_has_a_page_that_names_everything(family):
    text = (PAGES / f"{family.name}.md").read_text()
    prose = text.split(MARK)[0]
    lacking = {f for f in family.params.__struct_fields__ if f"`{f}`" not in text}
    lacking |= {key for key in family.findings if f"`{family.name}.{key}`" not in text}
    lacking |= {t.reason for t in family.typical if t.reason not in text}
    assert not lacking
    for title in ("How it is modelled", "Formulas", "Limits", "Worked example"):
        assert f"\n## {title}\n" in prose, title
    example = f"openapi/examples/{family.name}.json"
    assert f"](../../{example})" in prose
    assert family.name in {s["device"]["family"] for s in json.loads((ROOT / example).read_text())["sensors"]}
    assert f"]({family.name}.md)" in (PAGES / "README.md").read_text()


WORDS = {1: "one", 2: "two", 3: "three", 4: "four", 5: "five"}
# Not for people: conversions, what is tried one by one, what is worked out from others, what is nothing in numbers.
NOT_TOLD = {"KELVIN", "HUMIDITIES", "LIMIT_DBM", "BANDS_GHZ", "LEAST_ACTING_M2"}


def numbers(value):
    if isinstance(value, int | float):
        yield float(value)
    elif isinstance(value, dict):
        yield from (n for v in value.values() for n in numbers(v))
    elif isinstance(value, tuple):
        yield from (n for v in value for n in numbers(v))


def is_told(number, prose):
    ways = {
        f"{number:g}",
        f"{number:.2f}",
        f"{1e6 * number:g} uH",
        f"{100 * number:g} %",
        WORDS.get(number, f"{number:g}"),
    }
    return any(re.search(rf"(?<![\d.]){re.escape(way)}(?!\d|\.\d)", prose) for way in ways)


@pytest.mark.parametrize("family", FAMILIES, ids=lambda f: f.name)
def test_constants_of_a_family_are_told_as_they_are(family):
    """Limits of a module that people ought to know stand on its page with the value that is used."""
    prose = (PAGES / f"{family.name}.md").read_text().split(MARK)[0]
    module = sys.modules[type(family).__module__]
    named = {k: v for k, v in vars(module).items() if re.fullmatch(r"[A-Z][A-Z0-9_]+", k) and k not in NOT_TOLD}
    assert not {k: n for k, v in named.items() for n in numbers(v) if not is_told(n, prose)}


def test_no_page_is_left_over():
    assert {p.stem for p in PAGES.glob("*.md")} == {"README", "rule-sets", *(f.name for f in FAMILIES)}


@pytest.mark.parametrize("name", needs.rule_sets())
def test_rule_set_is_listed_with_its_values(name):
    """Read back from the table, so that a column that is lost shows."""
    section = re.split(r"^## ", RULES_PAGE.read_text(), flags=re.MULTILINE)
    rows = next(s for s in section if s.startswith(f"`{name}`:")).splitlines()
    listed = [[c.strip() for c in row.strip("| ").split(" | ")] for row in rows if row.startswith("| `")]
    told = [(c[0].strip("`"), c[1], c[2], c[3], c[5]) for c in listed]
    rules = needs.rule_sets()[name].rules
    assert len(told) == len(rules)
    for (rule, value, unit, edition, status), r in zip(told, rules, strict=True):
        assert (rule, unit, edition, status) == (r.name, r.unit, r.edition or "all", r.status)
        assert value == "to be given" if r.must_be_given else float(value) == pytest.approx(r.value, rel=1e-5)  # %g


# --- code, files, targets, routes -----------------------------------------------------------------------------------


def blocks(page, language):
    return re.findall(rf"^```{language}\n(.*?)^```", page.read_text(), re.DOTALL | re.MULTILINE)


def test_python_of_the_first_page_runs(monkeypatch, capsys):
    monkeypatch.chdir(ROOT)
    found = blocks(ROOT / "README.md", "python")
    assert found
    for block in found:
        exec(compile(block, "README.md", "exec"), {"__name__": "readme"})
        assert capsys.readouterr().out


@pytest.mark.parametrize("page", [*GUIDES, *sorted(PAGES.glob("*.md"))], ids=lambda p: str(p.relative_to(ROOT)))
def test_python_compiles(page):
    for block in blocks(page, "python"):
        compile(block, str(page), "exec")


@pytest.mark.parametrize("page", sorted(PAGES.glob("*.md")), ids=lambda p: p.stem)
def test_calculations_on_the_page_come_out(page):
    for block in blocks(page, "pycon"):
        test = doctest.DocTestParser().get_doctest(block, {}, page.name, str(page), 0)
        told = []
        doctest.DocTestRunner().run(test, out=told.append)
        assert not told, "".join(told)


# What the pages name and the reader makes: results of commands, and the family that plugins/README.md writes.
MADE_BY_THE_READER = {".venv", "out", "plan.svg", "sill_line", "sill_line.py", "sill-line"}


def paths_named(text):
    """Links to files, and words in code that look like a path or a file of the project."""
    for link in re.findall(r"\]\(([^)#\s]+)", text):
        if "://" not in link:
            yield link
    code = "\n".join(re.findall(r"`[^`\n]+`|^(?:    |```).*$", text, re.MULTILINE))
    yield from re.findall(r"(?<![\w/.:{<-])((?:[\w.-]+/)*[\w-]+\.(?:md|py|json|svg|toml|lock))(?![\w/.])", code)
    yield from re.findall(r"(?<![\w/.:{<-])((?:service|plugins|tests|openapi|deploy)/[\w./-]+)", code)


@pytest.mark.parametrize("page", [*GUIDES, *sorted(PAGES.glob("*.md"))], ids=lambda p: str(p.relative_to(ROOT)))
def test_files_named_are_there(page):
    everywhere = {p.name for folder in ("service", "plugins", "tests", "openapi") for p in (ROOT / folder).rglob("*.*")}
    for name in paths_named(page.read_text().split(MARK)[0]):
        path = name.rstrip("./")
        if MADE_BY_THE_READER & set(Path(path).parts):
            continue
        here = (page.parent / path).exists() or (ROOT / path).exists()
        assert here or ("/" not in path and path in everywhere), name


@pytest.mark.parametrize("page", GUIDES, ids=lambda p: str(p.relative_to(ROOT)))
def test_make_targets_named_are_there(page):
    targets = set(re.findall(r"^(\w+):", (ROOT / "Makefile").read_text(), re.MULTILINE))
    named = set(re.findall(r"(?:`|^    )make (\w+)", page.read_text(), re.MULTILINE))
    assert named <= targets
    assert named or page.parent != ROOT


def test_routes_named_are_there():
    paths = json.loads((ROOT / "openapi" / "openapi.json").read_text())["paths"]
    named = set(re.findall(r"/v1/[a-z{}/-]*[a-z}]", (ROOT / "README.md").read_text()))
    assert named
    assert named <= set(paths)


# --- docstrings -----------------------------------------------------------------------------------------------------

UNIT = re.compile(r"\[[^\[\]\n]+\]")
# What counts as a number in the type that a docstring states, and in an annotation. Outside the engineering parts a
# whole number is a count or an index and speaks for itself.
NUMBER_SAID = re.compile(r"\b(float|int|arrays?|int16|int32|int64|float64)\b")
FRACTION_SAID = re.compile(r"\b(float|arrays?|float64)\b")
NUMBER = re.compile(r"(float|int|(Float|Int)Array|tuple\[(float|int)\b.*)( \| (float|(Float|Int)Array|None))*")
IN_A_NAME = re.compile(
    r"_(m|m2|mm|in|deg|rad|s|m_per_s|m_per_s2|in_per_s|kg|n|j|hz|khz|ghz|db|db_per_m|db_per_km|per_m|nm|sr|w|dbm|h|"
    r"deg_c|k|percent|kpa|mm_per_h|w_per_m2|v_per_m|count|hits|index)$"
)
ENGINEERING = ("physics", "motion", "needs", "kernel")


def functions(path):
    """Public functions and methods of public classes, with their names."""
    for node in ast.parse(path.read_text()).body:
        inner = node.body if isinstance(node, ast.ClassDef) else [node]
        for f in inner:
            if isinstance(f, ast.FunctionDef) and not f.name.startswith("_") and not node.name.startswith("_"):
                yield f, f.name if f is node else f"{node.name}.{f.name}"


def sections(doc):
    """Lines of each section of a numpydoc docstring."""
    found, lines, now = {}, doc.splitlines(), None
    for line, below in zip(lines, [*lines[1:], ""], strict=True):
        if re.fullmatch(r"-{3,}", below.strip()):
            now = found.setdefault(line.strip(), [])
        elif now is not None and not re.fullmatch(r"-{3,}", line.strip()):
            now.append(line)
    return found


def entries(lines):
    """Head and text of each entry: `name : type` and what is indented below it."""
    found = []
    for line in lines:
        if line[:1].strip():
            found.append([line, ""])
        elif line.strip():
            found[-1][1] += " " + line.strip()
    return found


def arguments(f):
    every = [*f.args.posonlyargs, *f.args.args, *f.args.kwonlyargs]
    return {a.arg: ast.unparse(a.annotation) if a.annotation else "" for a in every if a.arg not in ("self", "cls")}


def written_faults(doc, f, number=NUMBER_SAID):
    """Breaches of a docstring with sections: names and order of the parameters, a unit on each number."""
    said = sections(doc)
    if "Parameters" in said:
        heads = [head.split(" : ")[0] for head, _ in entries(said["Parameters"])]
        named = [name.strip(" *") for head in heads for name in head.split(",")]
        wanted = list(arguments(f)) + [a.arg for a in (f.args.vararg, f.args.kwarg) if a]
        if named != wanted:
            yield f"names {named}, the signature has {wanted}"
    for section in ("Parameters", "Returns"):
        for head, text in entries(said.get(section, ())):
            name, _, kind = head.partition(" : ")
            if number.search(kind) and not UNIT.search(text):
                yield f"{section}: {name} has no unit"


def brief_faults(doc, f):
    """Breaches of a short docstring: a number whose unit stands neither in its name nor in the text."""
    if UNIT.search(doc):
        return
    said = sections(doc)
    for name, kind in arguments(f).items():
        if "Parameters" not in said and NUMBER.fullmatch(kind) and not IN_A_NAME.search(name):
            yield f"{name} has no unit"
    returned = ast.unparse(f.returns) if f.returns else ""
    if "Returns" not in said and NUMBER.fullmatch(returned) and not IN_A_NAME.search(f.name):
        yield "the result has no unit"


def docstring_faults(path):
    part = path.relative_to(ROOT / "service" / "sillcast").parts[0].removesuffix(".py")
    for f, name in functions(path):
        doc = ast.get_docstring(f) or ""
        engineering = part in ENGINEERING
        written = written_faults(doc, f, NUMBER_SAID if engineering else FRACTION_SAID)
        brief = brief_faults(doc, f) if engineering and not path.name.startswith("_") else ()
        yield from (f"{name}: {fault}" for fault in (*written, *brief))


SERVICE = sorted((ROOT / "service").rglob("*.py"))


@pytest.mark.parametrize("path", SERVICE, ids=lambda p: str(p.relative_to(ROOT / "service")))
def test_docstrings_fit_their_functions(path):
    assert not list(docstring_faults(path))


def test_the_docstring_check_finds_faults(tmp_path):
    """It would be worth nothing if it passed whatever it is given."""
    bad = '''
def far(height_m: float, turn: float) -> float:
    """Distance.

    Parameters
    ----------
    turn : float
        Turn. [deg]
    height_m : float
        Height.

    Returns
    -------
    distance : float
        Far.
    """
'''
    f = ast.parse(bad).body[0]
    faults = list(written_faults(ast.get_docstring(f), f))
    assert [fault.split(":")[0].split(" ")[0] for fault in faults] == ["names", "Parameters", "Returns"]
    short = ast.parse('def far(turn: float) -> float:\n    """Distance."""').body[0]
    assert list(brief_faults("Distance.", short)) == ["turn has no unit", "the result has no unit"]
    assert not list(brief_faults("Distance after a turn. [deg, m]", short))


if __name__ == "__main__":
    write()
