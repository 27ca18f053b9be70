"""Alphabets with combining marks, text without spaces, and case by language: each script by invented texts."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from small_packs import grid_of

import nearkey as nk
from nearkey.errors import PackError
from nearkey.language.tokens import PUNCTUATION, joins_marks, normalise_word, sentences
from nearkey.packs import finished
from nearkey.packs.builder import build_pack
from nearkey.packs.starter import judge_pack, start_recipe
from nearkey.session import Session

# Invented notes of surveyors. The Thai words are parted by zero-width spaces, the Hebrew ones are pointed.
HINDI = [f"{a} {b} {c}।" for a, b, c in product(
    ["हमने", "सर्वेक्षक ने", "क्या उसने"], ["तिपाई को", "प्रिज़्म को", "खूँटी और फीते को"],
    ["नदी के पास रखा", "पहाड़ी पर देखा", "सड़क से मापा", "खेत में लगाया", "फिर से जाँचा"])]  # fmt: skip
THAI = ["\u200b".join(parts) + " " + end for parts, end in product(
    product(["เรา", "เขา", "ช่าง"], ["วาง", "ย้าย", "ตรวจ"], ["ขาตั้ง", "หมุด", "ปริซึม"]),
    ["ใกล้\u200bแม่น้ำ", "บน\u200bเนิน"])]  # fmt: skip
HEBREW = [f"{a} {b} {c}." for a, b, c in product(
    ["הַמּוֹדֵד", "הַצֶּוֶת", "הָאִישׁ"], ["הִצִּיב", "בָּדַק", "הֵזִיז"],
    ["אֶת הַחֲצוּבָה", "אֶת הַיָּתֵד", "אֶת הַמִּנְסָרָה", "לְיַד הַנָּהָר", "עַל הַגִּבְעָה"])]  # fmt: skip
TURKISH = [f"{a} {b} {c}." for a, b, c in product(
    ["Irmağın kıyısına", "İki işçi yola", "Bizim ırgat ışıkta"], ["üçayağı", "ipi", "ıslak kazığı"],
    ["koyduk", "taşıdı", "IŞIKTA ölçtü", "İstanbul'da gördü"])]  # fmt: skip
SCRIPTS = {
    "hi": (HINDI, "प्रिज़्म"),
    "th": (THAI, "แม่น้ำ"),
    "he": (HEBREW, "הַחֲצוּבָה"),
    "tr": (TURKISH, "ırgat"),
}


def longer(lines):
    """The lines, and each of them joined to another one."""
    shifted = lines[7:] + lines[:7]
    return [*lines, *(f"{a.rstrip('.।')} {b}" for a, b in zip(lines, shifted, strict=True))]


def pack_of(folder, language, lines, *, on_step=lambda step: None, **draft):
    """A pack of these lines, as `pack start` makes it."""
    folder.mkdir(exist_ok=True)
    (folder / "notes.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    start_recipe(folder / "recipe.toml", [folder / "notes.txt"], language=language, **draft)
    building = build_pack(folder / "recipe.toml", folder / "pack", cache=folder / "cache")
    finished(building, on_step=on_step)
    return nk.load_pack(folder / "pack")


@pytest.fixture(scope="module")
def packs(tmp_path_factory):
    return {
        language: pack_of(tmp_path_factory.mktemp(language), language, longer(lines))
        for language, (lines, _) in SCRIPTS.items()
    }


def decoder_of(pack) -> nk.Decoder:
    layout = grid_of(pack.alphabet, language=pack.info.language)
    return nk.Decoder(layout, nk.GaussianTouch.from_layout(layout, spread=0.3), pack)


@pytest.mark.parametrize("language", SCRIPTS)
def test_words_are_whole_and_can_be_typed(packs, language):
    lines, word = SCRIPTS[language]
    pack = packs[language]
    spelled = normalise_word(word, language=language)
    assert spelled in pack.lexicon
    assert set(spelled) <= set(pack.alphabet)
    running = {
        normalise_word(w, language=language)
        for s in sentences(lines, combining=joins_marks(pack.alphabet))
        for w in s.words
    }
    assert all(map(set(pack.alphabet + "'").issuperset, running))
    decoder = decoder_of(pack)
    layout = decoder.layout
    points = np.array([layout.centers[layout.key_of_letter[c]] for c in spelled])
    assert decoder.decode(points)[0].word == spelled
    assert np.isfinite(pack.letter_model.log_prob(spelled[::-1]))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("सर्वेक्षक ने प्रिज़्म देखा। फिर?", ["सर्वेक्षक", "ने", "प्रिज़्म", "देखा", "फिर"]),
        ("क\u094d\u200dया है", ["क\u094d\u200dया", "है"]),
        ("เรา\u200bวาง หมุด", ["เรา", "วาง", "หมุด"]),
        ("אֶל־הַנָּהָר, וְחָזַר", ["אֶל-הַנָּהָר", "וְחָזַר"]),
        ("هل رأيتَ النهر؟ نعم،", ["هل", "رأيتَ", "النهر", "نعم"]),
        ("ẹ̀kọ́ dára", ["ẹ̀kọ́", "dára"]),
    ],
)
def test_marks_belong_to_words(text, words):
    assert [w for s in sentences([text], combining=True) for w in s.words] == words


def test_a_full_stop_of_another_script_ends_the_sentence():
    assert len(list(sentences(["देखा। फिर गया॥ आया"], combining=True))) == 3


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("ሰላም፡ለዓለም፣ እንዴት፧ ደህና።", [["ሰላም", "ለዓለም,", "እንዴት?"], ["ደህና."]]),
        ("այո՝ ինչպե՞ս եք։ լա՛վ", [["այո,", "ինչպես", "եք."], ["լավ"]]),
        ("בראשית ברא׃ אור", [["בראשית", "ברא."], ["אור"]]),
    ],
)
def test_marks_of_other_scripts(text, read):
    # The Unicode Standard 15 on Armenian, Ethiopic and Hebrew: which sign is which mark; Armenian's stand within words.
    found = [
        [
            word + (PUNCTUATION[code] if code < len(PUNCTUATION) else "")
            for word, code in zip(sentence.words, sentence.punctuation, strict=True)
        ]
        for sentence in sentences([text], combining=True)
    ]
    assert found == read


def test_latin_alphabets_of_whole_letters_read_as_ever():
    assert not joins_marks("abcdefghijklmnopqrstuvwxyzéüß")
    assert joins_marks("abdeẹfgijklmnoọprsṣtuwy\u0300\u0301")
    line = "a\u0300b x\u0301y \u200bz\u0964 ok\ufe0f"
    plain, joined = (list(sentences([line], combining=c)) for c in (False, True))
    assert plain[0].words == ["àb", "x", "y", "z", "ok"]
    assert [w for s in joined for w in s.words] == ["àb", "x\u0301y", "z", "ok"]


def test_joiners_are_written_but_not_typed():
    assert normalise_word("می\u200cروم") == "میروم"
    assert normalise_word("क\u094d\u200dया") == "क\u094dया"


def test_points_may_be_left_out(tmp_path):
    pack = pack_of(tmp_path, "he", longer(HEBREW), fold_accents=True)
    assert all(c.isalpha() for c in pack.alphabet)
    assert "החצובה" in pack.lexicon
    assert pack.truecase.form("החצובה") == "הַחֲצוּבָה"  # typed bare, written with its points


def test_marks_without_keys_need_no_touch(packs):
    pack = packs["hi"]
    bare = "".join(c for c in pack.alphabet if c.isalpha())
    layout = grid_of(bare)
    decoder = nk.Decoder(layout, nk.GaussianTouch.from_layout(layout, spread=0.3), pack)
    points = np.array([layout.centers[layout.key_of_letter[c]] for c in "नदी" if c.isalpha()])
    assert decoder.decode(points)[0].word == "नदी"


def test_text_without_spaces_is_refused_with_its_reason(tmp_path):
    lines = [line.replace("\u200b", "").replace(" ", "") for line in THAI]
    with pytest.raises(PackError, match="words are not parted") as caught:
        pack_of(tmp_path, "th", longer(lines))
    assert "zero-width space" in str(caught.value)


def test_an_alphabet_that_lacks_its_marks_is_refused_with_its_reason(tmp_path):
    letters = "".join(sorted({c for line in HINDI for c in line if c.isalpha()}))
    with pytest.raises(PackError, match="% of the words are written with marks") as caught:
        pack_of(tmp_path, "hi", longer(HINDI), alphabet=letters)
    assert caught.value.field == "alphabet"
    assert "◌्" in str(caught.value)


def test_turkish_knows_two_letters_i(packs):
    pack = packs["tr"]
    assert {"i", "ı"} <= set(pack.alphabet)
    assert "ışıkta" in pack.lexicon
    assert "ışikta" not in pack.lexicon
    assert pack.lexicon.index("IRMAĞIN") == pack.lexicon.index("ırmağın")
    assert pack.truecase.form("iki", start=True) == "İki"
    assert pack.truecase.form("ırgat", start=True) == "Irgat"
    decoder = decoder_of(pack)
    layout = decoder.layout
    labels = {key.letters: key.label for key in layout.keys}
    assert (labels["i"], labels["ı"], labels["ğ"]) == ("İ", "I", "Ğ")
    points = np.array([layout.centers[layout.key_of_letter[c]] for c in "iki"])
    assert decoder.candidates(points, context="")[0].text == "İki"
    session = Session(decoder)
    session.caps_lock(True)
    for point in points:
        session.tap(*point)
    assert session.candidates[0].text == "İKİ"


def test_labels_show_marks_on_a_circle(packs):
    labels = {key.letters: key.label for key in grid_of(packs["hi"].alphabet).keys}
    assert labels["ि"] == "◌ि"
    assert labels["न"] == "न"


def test_a_list_in_another_alphabet_is_remarked_on(tmp_path):
    (tmp_path / "words.txt").write_text("peg\nprism\ntripod\n")
    notes = []
    lists = {"spelling": [tmp_path / "words.txt"]}
    pack_of(tmp_path, "hi", longer(HINDI), on_step=lambda step: notes.append(step.note), **lists)
    assert "words.txt: 3 of 3 words are not spelled with the alphabet" in notes


def test_a_list_given_as_text_is_told(tmp_path):
    words = sorted({w for s in sentences(HINDI, combining=True) for w in s.words})
    lines = ["".join(three) for three in product(words, repeat=3)]  # invented compounds, each once
    pack_of(tmp_path, "hi", lines[:2500])
    verdict = judge_pack(tmp_path / "recipe.toml", tmp_path / "pack")
    assert verdict.score is None
    assert verdict.advice[0].startswith("every word stands once")


def test_delete_takes_a_letter_with_its_marks(packs):
    session = Session(decoder_of(packs["hi"]))
    session.insert("नदी")
    session.delete()
    assert session.text == "न"
