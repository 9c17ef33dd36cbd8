"""What holds for the whole house: modules, commands, documents, locks."""

from __future__ import annotations

import argparse
import ast
import os
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from deploy import settings
from deploy.cli import parser

ROOT = Path(__file__).parents[1]
PACKAGES = ("ingest", "simulator", "analytics", "api", "deploy")
MODULES = sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))
DOCUMENTS = sorted([*ROOT.glob("*.md"), *(path for package in PACKAGES for path in (ROOT / package).rglob("*.md"))])


def name(path: Path) -> str:
    return str(path.relative_to(ROOT))


def commands() -> list[tuple[str, argparse.ArgumentParser]]:
    """Every command and verb, with its parser."""

    def below(prefix: str, one: argparse.ArgumentParser) -> Iterator[tuple[str, argparse.ArgumentParser]]:
        yield prefix, one
        for action in one._actions:
            if isinstance(action, argparse._SubParsersAction):
                for word, inner in action.choices.items():
                    yield from below(f"{prefix} {word}", inner)

    return list(below("halfsecond", parser()))


def test_the_commands_are_those_that_the_documents_promise() -> None:
    promised = {"demo", "serve", "load", "replay", "simulate", "wave", "account", "person", "device", "token"}
    assert promised <= {words.split()[1] for words, _ in commands() if " " in words}


@pytest.mark.parametrize(("words", "one"), [pytest.param(*each, id=each[0]) for each in commands()])
def test_every_help_has_an_example_of_that_very_command(words: str, one: argparse.ArgumentParser) -> None:
    example = one.format_help().partition("\nexample:\n")[2]
    assert words in example, f"{words} --help"
    assert one.description


@pytest.mark.parametrize("path", MODULES, ids=name)
def test_no_module_is_longer_than_500_lines(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 500


@pytest.mark.parametrize("package", PACKAGES)
def test_every_package_says_in_one_sentence_what_belongs_there(package: str) -> None:
    module = ast.parse((ROOT / package / "__init__.py").read_text(encoding="utf-8"))
    sentence = ast.get_docstring(module) or ""
    assert sentence.endswith(".")
    assert len(sentence.splitlines()) == 1
    assert len(module.body) == 1


def test_every_test_is_named_as_a_sentence() -> None:
    short = [
        f"{name(path)}: {node.name}"
        for path in (ROOT / "tests").rglob("test_*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_") and node.name.count("_") < 3
    ]
    assert short == []


def anchors(text: str) -> set[str]:
    """The anchors that headings make: lower case, no punctuation, dashes for blanks."""
    headings = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("path", DOCUMENTS, ids=name)
def test_every_link_of_a_document_leads_somewhere(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for link in re.findall(r"\]\(([^)\s]+)\)", text):
        if re.match(r"https?://|mailto:", link):
            continue
        file, _, anchor = link.partition("#")
        target = path.parent / file if file else path
        assert target.exists(), f"{name(path)}: {link}"
        if anchor:
            assert anchor in anchors(target.read_text(encoding="utf-8")), f"{name(path)}: {link}"


def test_the_readme_leads_to_every_document() -> None:
    linked = set(re.findall(r"\]\(([^)#\s]+\.md)\)", (ROOT / "README.md").read_text(encoding="utf-8")))
    assert {name(path) for path in DOCUMENTS} - {"README.md"} <= linked


def test_the_readmes_commands_are_those_that_a_fresh_clone_has() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert re.findall(r"^    (python3 .*)$", readme, re.MULTILINE) == [
        "python3 -m deploy demo",
        "python3 -m deploy test",
    ]
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "python3 -m deploy test" in script
    assert os.access(ROOT / ".ci" / "run", os.X_OK)


def test_the_operating_guide_has_todays_settings() -> None:
    guide = (ROOT / "deploy" / "OPERATING.md").read_text(encoding="utf-8")
    shown = guide.partition("deploy.settings.table() makes -->\n")[2].partition("<!-- end of settings")[0]
    assert shown == settings.table() + "\n", f"put this between the two marks:\n{settings.table()}"


def locked(file: str) -> dict[str, str]:
    """Versions by name in a lock file; every entry has hashes."""
    text = (ROOT / file).read_text(encoding="utf-8")
    entries = re.split(r"^(?=[A-Za-z0-9])", text, flags=re.MULTILINE)[1:]
    for entry in entries:
        assert "--hash=sha256:" in entry, entry
    pairs = [re.match(r"([\w.-]+)==([^\s;]+)", entry) for entry in entries]
    return {canonicalize_name(pair[1]): pair[2] for pair in pairs if pair}


@pytest.mark.parametrize("file", ["requirements.lock", "tests/requirements.lock"])
def test_the_locks_satisfy_what_the_project_asks_for(file: str) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = list(project["dependencies"])
    if file.startswith("tests"):
        wanted += project["optional-dependencies"]["test"]
    versions = locked(file)
    for line in wanted:
        requirement = Requirement(line)
        version = versions.get(canonicalize_name(requirement.name))
        assert version is not None, f"{file} lacks {requirement.name}"
        assert requirement.specifier.contains(version, prereleases=True), f"{file}: {line}, locked is {version}"


def test_the_tests_run_with_the_very_versions_that_are_installed_for_use() -> None:
    for_use, for_tests = locked("requirements.lock"), locked("tests/requirements.lock")
    assert for_use.items() <= for_tests.items()
