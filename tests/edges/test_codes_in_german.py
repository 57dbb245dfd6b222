"""What scans and alignment tell: English stands where it arises, German goes by its code."""

from __future__ import annotations

import ast
import dataclasses
import itertools
import pickle
import re
import types
from collections import defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest

import veneercheck
from veneercheck.core.align import trust
from veneercheck.core.align import words as told
from veneercheck.core.types import Fault, Reason
from veneercheck.report.verdict import fault_words, reasons
from veneercheck.report.words import Words, sections
from veneercheck.scan import units

ROOT = Path(veneercheck.__file__).parent
LEGACY = {"another_size", "another_size_larger", "another_size_smaller"}
"""Not written any more; what was filed with it is read in German by its code."""

Names = dict[str, list[ast.expr]]


@dataclasses.dataclass
class Sentence:
    """What the code can say under one code."""

    where: str
    carried: set[str]
    patterns: set[str]
    has_singular: bool


def placeholders(pattern: str) -> set[str]:
    return set(re.findall(r"{[^}]*}", pattern))


def texts(node: ast.expr, names: Names) -> set[str]:
    """Every text that an expression of the code can be; one that cannot be read is refused."""
    any_of: Sequence[ast.expr] = ()
    row: Sequence[ast.expr] = ()
    match node:
        case ast.Constant(value=str(text)):
            return {text}
        case ast.IfExp(body=one, orelse=other):
            any_of = one, other
        case ast.Name(id=name) | ast.Subscript(value=ast.Name(id=name)) if name in names:
            any_of = names[name]
        case ast.Dict(values=values):
            any_of = values
        case ast.FormattedValue(value=value):
            any_of = (value,)
        case ast.JoinedStr(values=parts):
            row = parts
        case ast.BinOp(left=left, op=ast.Add(), right=right):
            row = left, right
        case ast.Call(func=ast.Name(id="counted"), args=[number, one, many]):
            row = ast.Constant("{count:,} "), ast.IfExp(number, one, many)
        case _:
            raise AssertionError(f"line {node.lineno}: {ast.unparse(node)} cannot be read")
    if row:
        return {"".join(said) for said in itertools.product(*(texts(part, names) for part in row))}
    return {text for value in any_of for text in texts(value, names)}


def assigned(body: Iterator[ast.AST]) -> Names:
    found: Names = defaultdict(list)
    for one in body:
        if isinstance(one, ast.Assign):
            target, value = one.targets[0], one.value
            if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
                pairs = zip(target.elts, value.elts, strict=True)
            else:
                pairs = iter([(target, value)])
            for name, part in pairs:
                if isinstance(name, ast.Name):
                    found[name.id].append(part)
    return found


def calls_of(tree: ast.Module) -> Iterator[tuple[ast.Call, str, Names]]:
    """Each fault or reason that is made, with the names that are known there."""
    inner: dict[ast.AST, ast.AST] = {}
    for scope in (one for one in ast.walk(tree) if isinstance(one, ast.FunctionDef)):
        inner |= dict.fromkeys(ast.walk(scope), scope)  # the innermost one comes last
    for call in ast.walk(tree):
        if isinstance(call, ast.Call):
            made = ast.unparse(call.func).removesuffix(".of").rpartition(".")[2]
            if made in ("Fault", "Reason"):
                own = ast.walk(inner[call]) if call in inner else iter(())
                yield call, made, assigned(iter(tree.body)) | assigned(own)


def every_sentence() -> dict[str, Sentence]:
    """By code, read off the code itself."""
    found: dict[str, Sentence] = {}
    for path in sorted(ROOT.rglob("*.py")):
        for call, made, names in calls_of(ast.parse(path.read_text("utf-8"))):
            pattern = call.args[2 if made == "Fault" else 1]
            code = call.args[4] if len(call.args) > 4 else call.args[0]
            assert all(one.arg for one in call.keywords), "values must be named where they are put"
            carried = {str(one.arg) for one in call.keywords}
            carried |= {"count"} if made == "Fault" else set()
            known = [pattern, *(names.get(pattern.id, ()) if isinstance(pattern, ast.Name) else ())]
            where = f"{path.relative_to(ROOT)}:{call.lineno}"
            said = texts(pattern, names)
            singular = any("counted(" in ast.unparse(one) for one in known)
            for one in texts(code, names):
                assert one not in found, f"{one}: {where} and {found[one].where}"
                found[one] = Sentence(where, carried, said, singular)
    return found


def test_every_code_has_its_german_and_every_german_sentence_its_code() -> None:
    """By reading the code itself. English alone needs no catalogue: `told` and the words in it are
    the two sections that German has and English has not; a result holds the English sentence."""
    english, german = every_sentence(), sections("de")["told"]
    assert not {"told", "told_words"} & sections("en").keys()
    assert len(english) > 70
    assert english.keys() - german.keys() == set()
    assert {key.removesuffix("_one") for key in german} - english.keys() == LEGACY
    for key, sentence in german.items():
        if key not in LEGACY:
            known = english[key.removesuffix("_one")]
            held, written = placeholders(sentence), set().union(*map(placeholders, known.patterns))
            assert {re.split("[:}]", one[1:])[0] for one in held} <= known.carried, key
            assert held - {"{count:,}"} <= written, f"{key}: unlike {known.where}"
            assert sentence not in known.patterns
    one_alone = {code for code, known in english.items() if known.has_singular}
    one_alone.add("unclear_orientation")  # its number stands amid the sentence
    assert {f"{code}_one" for code in one_alone} == {key for key in german if key.endswith("_one")}


def test_every_word_in_a_sentence_has_its_german() -> None:
    """Source: the code's own lists of units, directions, and what slides along itself."""
    likes = {*trust._SLIDING.values(), "a helix", "a surface of revolution"}
    assert sections("de")["told_words"].keys() == {
        *units._WORDS.values(),
        *told._ALONG,
        *(f"in turning {axis}" for axis in told._ABOUT),
        *likes,
    }


BODY = types.SimpleNamespace(radius_mm=10.0)
LAST = types.SimpleNamespace(
    pairs=types.SimpleNamespace(point_mm=np.zeros((3, 3)), normal=np.zeros((3, 3))),
    weight=np.ones(3),
)
SURE = types.SimpleNamespace(centre_mm=np.zeros(3))


def loose(monkeypatch: pytest.MonkeyPatch, like: str) -> Reason:
    monkeypatch.setattr(told, "weakest", lambda *_: "along the bridge")
    monkeypatch.setattr(told, "slippage", lambda *_: (1, like))
    return told.too_loose(0.0312, BODY, LAST, SURE)


def every_reason(monkeypatch: pytest.MonkeyPatch) -> list[Reason]:
    return [
        told.NO_CONTACT,
        told.PAINTED,
        told.SWAPPED,
        told.GIVEN_WITHOUT_CONTACT,
        told.CROSSING_ONLY,
        told.too_little(3.14),
        loose(monkeypatch, ""),
        loose(monkeypatch, "a cylinder"),
        told.rival(-2.0, 812.6),
        told.not_seated(0.0524, own_used=True),
        told.not_seated(0.0524, own_used=False),
        told.halves(0.0301),
        told.parted(0.0301),
        told.another_size(1.0123, 0.0004, 0.031),
        told.another_size(0.9977, 0.0004, 0.031),
        told.as_metal(told.another_size(0.9977, 0.0004, 0.031)),
        told.bowed(0.088),
        told.part_off(0.061, None),
        told.beside(0.061, None),
        told.swollen(0.05, None),
        told.swollen(-0.05, None),
        told.off_its_model(0.07),
        told.two_depths(0.1, 0.02),
        told.finished_otherwise(0.15, 0.1),
        told.frame_untrue(0.123),
        told.frame_crossing(0.31),
        told.frame_apart(0.02),
        told.rival_near(30.4, 40.0, 1.42),
    ]


def test_reasons_of_the_alignment_are_said_in_both_languages(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Source: the English sentence as it is filed; numbers in German are the same, with a comma."""
    found = every_reason(monkeypatch)
    coded = [{"code": reason.code, "values": dict(reason.values)} for reason in found]
    filed = {"reasons": [str(reason.words) for reason in found], "coded": coded}
    german = reasons(filed, Words("de"))
    assert reasons(filed, Words("en")) == filed["reasons"]
    assert len({*german, *filed["reasons"]}) == 2 * len(found)
    for one, other in zip(filed["reasons"], german, strict=True):
        assert re.findall(r"[\d.]*\d", one) == re.findall(r"[\d.]*\d", other.replace(",", "."))
    assert german[5].startswith("nur 3,1 mm²")
    assert german[6].endswith("auf ±62 µm (k = 2), am wenigsten: längs der Brücke")
    assert "gleicht einem Zylinder" in german[7]
    assert " 1,23 ± 0,08 % (k = 2) größer" in german[13]
    assert " 0,23 ± 0,08 % (k = 2) kleiner" in german[14] and "das Metall" in german[15]


def test_a_fault_holds_its_count_and_what_its_sentence_says_wherever_it_goes() -> None:
    """Source: what was put in; the count is written first, as `result.json` has it."""
    fault = Fault.of("holes", 1200, "{count:,} rims, {longest:.1f} mm.", None, "rims", longest=2.04)
    again = pickle.loads(pickle.dumps(fault))
    assert again == fault == Fault("holes", 1200, "1,200 rims, 2.0 mm.", None, "rims")
    assert list(again.values.items()) == [("count", 1200), ("longest", 2.04)]
    assert Fault("swap", 3, "nothing in it.").values == {"count": 3}
    filed = {"words": str(fault.words), "code": "holes", "values": dict(fault.values)}
    assert fault_words(filed, Words("en")) == "1,200 rims, 2.0 mm."
    assert fault_words(filed, Words("de")).startswith(
        "1\u202f200 offene Ränder, der längste 2,0 mm"
    )
