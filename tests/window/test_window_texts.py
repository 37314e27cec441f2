"""Every text of the window in every language: found in the source, held against the catalogues."""

from __future__ import annotations

import ast
import re
import string
from collections.abc import Iterator
from pathlib import Path

import pytest
from PyQt5.QtWidgets import QApplication, QPushButton
from pytestqt.qtbot import QtBot

import rig.window
from rig.window import words
from rig.window.catalogue import read_catalogue
from rig.window.main_window import MainWindow
from rig.window.speaking import speak
from rig.window.words import decimal, known, signed, tr, trn, use_language

ROOM = Path(rig.window.__file__).parent
LANGUAGES = [code for code in words.LANGUAGES if code != "en"]
# units, file patterns and the name of the program are the same in every language
_SAME = {"Hz", "mm", "dB", "ms", "platerig", "csv", "toml", "pdf", "png"}
_SINKS = {
    "QLabel", "QPushButton", "setText", "setHtml", "setToolTip", "setWindowTitle", "addItem",
    "setPlaceholderText", "setAccessibleName", "addRow", "addTab", "addMenu", "QAction", "say",
    "button", "choice", "field", "setInformativeText", "drawText", "set_note", "set_state",
    "complain", "addButton", "setLabel", "idle", "busy",
}  # fmt: skip


def _trees() -> Iterator[tuple[Path, ast.AST]]:
    for path in sorted(ROOM.rglob("*.py")):
        yield path, ast.parse(path.read_text(encoding="utf-8"))


def _name(call: ast.Call) -> str:
    func = call.func
    return func.id if isinstance(func, ast.Name) else getattr(func, "attr", "")


def texts() -> dict[str, str]:
    """Every text for translation, with its plural or an empty text."""
    found = {}
    for _, tree in _trees():
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and _name(node) in ("tr", "trn", "later"):
                first = node.args[0]
                if isinstance(first, ast.Constant):
                    many = node.args[1] if _name(node) == "trn" else None
                    found[first.value] = many.value if isinstance(many, ast.Constant) else ""
    return found


def _placeholders(text: str) -> list[tuple[str, str]]:
    return sorted((name, spec or "") for _, name, spec, _ in string.Formatter().parse(text)
                  if name is not None)  # fmt: skip


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_text_has_its_translation(language: str) -> None:
    catalogue, wanted = read_catalogue(language), texts()
    assert len(wanted) > 350
    assert sorted(set(wanted) - set(catalogue)) == []
    wrong = []
    for text, many in wanted.items():
        forms = catalogue[text]
        if len(forms) != (2 if many else 1):
            wrong.append(text)
        for form in forms:
            if _placeholders(form) != _placeholders(many or text):
                wrong.append(f"{text} / {form}")
            if form[:1].isspace() != text[:1].isspace() or form[-1:] + text[-1:] in (":.", ".:"):
                wrong.append(f"{text} / {form}")
    assert wrong == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_catalogues_hold_nothing_unused(language: str) -> None:
    assert sorted(set(read_catalogue(language)) - set(texts())) == []


def _shown(call: ast.Call) -> list[ast.expr]:
    """The arguments that are shown: not the place of what is said, not the value of an entry."""
    if _name(call) == "say":
        return call.args[-1:]
    return call.args[:1] if _name(call) == "addItem" else call.args


def _untranslated(node: ast.AST) -> Iterator[str]:
    """Texts below a node that do not pass through a translation."""
    if isinstance(node, ast.Call) and _name(node) in ("tr", "trn", "later", "known", "get"):
        return
    if isinstance(node, ast.Tuple) and len(node.elts) == 2:
        node = node.elts[0]  # text and value of an entry
        yield from _untranslated(node)
        return
    if isinstance(node, ast.Dict | ast.Subscript | ast.Compare | ast.FormattedValue):
        return  # keys and values of the program, not texts
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    for child in ast.iter_child_nodes(node):
        yield from _untranslated(child)


def _speaks(text: str) -> bool:
    plain = re.sub(r"<[^>]*>|&\w+;|[\w-]+:\s*#?[\w.-]+;?|\b\w+_\w+\b", " ", text)
    return any(word not in _SAME for word in re.findall(r"[A-Za-z]{3,}", plain))


def test_nothing_visible_is_said_past_the_translation() -> None:
    said = []
    for path, tree in _trees():
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and _name(node) in _SINKS:
                for value in _shown(node):
                    said += [f"{path.name}:{node.lineno} {text}"
                             for text in _untranslated(value) if _speaks(text)]  # fmt: skip
    assert said == [], "\n".join(said)


def test_no_sentence_stands_in_the_source_untranslated() -> None:
    said = []
    for path, tree in _trees():
        inside = {id(part) for node in ast.walk(tree)
                  if (isinstance(node, ast.Call) and _name(node) in ("tr", "trn", "later"))
                  or isinstance(node, ast.Raise)
                  or (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant))
                  for part in ast.walk(node)}  # fmt: skip
        for node in ast.walk(tree):
            if (
                isinstance(node, ast.Constant)
                and isinstance(node.value, str)
                and id(node) not in inside
                and re.match(r"[A-Z][a-z]+,? [a-z]+ ", node.value)
            ):
                said.append(f"{path.name}:{node.lineno} {node.value}")  # fmt: skip
    assert said == []


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ('msgid "a"\nmsgstr "b"\nmsgid "a"\nmsgstr "c"\n', "twice"),
        ('msgid "a"\nnonsense\n', "line 2"),
    ],
)
def test_a_broken_catalogue_says_where(
    text: str, what: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rig.window.catalogue.FOLDER", tmp_path)
    (tmp_path / "de.po").write_text(text)
    with pytest.raises(ValueError, match=what):
        read_catalogue("de")


def test_numbers_and_plurals_of_a_language() -> None:
    try:
        assert use_language("de") == "de"
        assert decimal("3.5") == "3,5"
        assert signed(-2.25, 2) == "−2,25"
        assert tr("{0:.2f} mm", 2.5) == "2,50 mm"
        assert trn("{0} tap.", "{0} taps.", 1) != trn("{0} tap.", "{0} taps.", 2).replace("2", "1")
        assert known("no such text") == "no such text"
        assert use_language("xx") == words.system_language()
    finally:
        use_language("en")
    assert tr("{0:.2f} mm", 2.5) == "2.50 mm"
    assert trn("{0} tap.", "{0} taps.", 1) == "1 tap."


@pytest.mark.parametrize("language", LANGUAGES)
def test_nothing_is_cut_off_on_a_small_screen(
    qtbot: QtBot, window: MainWindow, language: str
) -> None:
    window.memory.keep_language(language)
    try:
        spoken = MainWindow(window.memory)
        qtbot.addWidget(spoken)
        spoken.resize(1366, 768)
        spoken.show()
        cut = []
        pages = [(spoken.stages.open_card, card) for card in spoken.stages.cards]
        pages += [(spoken.show_tab, page) for page in spoken.right.pages.values()]
        for show, page in pages:
            show(page)
            QApplication.processEvents()
            cut += [
                button.text()
                for button in spoken.findChildren(QPushButton)
                if button.isVisible() and button.width() < button.sizeHint().width()
            ]
        assert cut == []
        tabs = spoken.right.tabBar()
        assert tabs.sizeHint().width() <= spoken.right.width()
        assert (spoken.width(), spoken.height()) == (1366, 768)
        assert spoken.stages.cards[0].head.text() != window.stages.cards[0].head.text()
        speak(spoken, "en")
        qtbot.waitUntil(lambda: not spoken.isVisible(), timeout=20_000)
        assert spoken.again
        assert window.memory.language() == "en"
    finally:
        use_language("en")
