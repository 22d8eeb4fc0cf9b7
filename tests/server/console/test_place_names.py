"""Towns by their names, as visitors write them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from server.console.place_names import MOST_MATCHES, country_name, gazetteer, in_words, towns_called


def first(text: str, language: str = "en") -> str:
    return in_words(towns_called(text, language)[0], language)


def first_names(text: str) -> str:
    """The likeliest town by GeoNames' first name, whatever it was found by."""
    return in_words(replace(towns_called(text, "en")[0], found_by=""), "en")


@pytest.mark.parametrize(
    "text",
    [
        "Lisbon",
        "lisbon",
        " LISBON ",
        "Lisboa",
        "Lissabon",
        "lisbonne",
        "Лиссабон",
        "リスボン",
        "Lisbon, Portugal",
        "lisboa,pt",
    ],
)
def test_a_town_is_found_by_its_names(text: str) -> None:
    assert first_names(text) == "Lisbon, Portugal"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Sao Paulo", "São Paulo, Brazil"),
        ("são  paulo", "São Paulo, Brazil"),
        ("ＳÃＯ PAULO", "São Paulo, Brazil"),
        ("Sa\u0303o Paulo", "São Paulo, Brazil"),  # the tilde as a letter of its own
        ("St Johns, Canada", "St. John's, Canada"),
        ("st. john’s, canada", "St. John's, Canada"),
        ("Tromso", "Tromso (Tromsø), Norway"),
        ("Saint-Étienne", "Saint-Étienne, France"),
        ("saint etienne", "Saint-Étienne, France"),
    ],
)
def test_accents_case_and_punctuation_do_not_matter(text: str, said: str) -> None:
    assert first(text) == said


def test_of_several_the_largest_is_first_and_a_country_or_state_tells_them_apart() -> None:
    assert [in_words(one, "en") for one in towns_called("Paris", "en")][:2] == [
        "Paris, France",
        "Paris, Texas, United States",
    ]
    assert [in_words(one, "en") for one in towns_called("Paris, Texas", "en")] == ["Paris, Texas, United States"]
    assert {one.region for one in towns_called("Springfield", "en")} >= {"Illinois", "Missouri", "Massachusetts"}
    assert len(towns_called("Paris, Nowhere", "en")) == len(towns_called("Paris", "en"))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("lisboa", "Lisboa (Lisbon), Portugal"),
        ("LISBONNE", "Lisbonne (Lisbon), Portugal"),
        ("Лиссабон", "Лиссабон (Lisbon), Portugal"),
        ("köln", "Köln, Alemanha"),
        ("munchen", "Munchen (Munich), Alemanha"),
        ("münchen", "München (Munich), Alemanha"),
        ("roma, itália", "Roma (Rome), Itália"),
        ("Nova Iorque, Estados Unidos", "Nova Iorque (New York City), New York, Estados Unidos"),
        ("Lisbon", "Lisbon, Portugal"),
    ],
)
def test_a_town_that_is_found_by_another_of_its_names_is_called_by_it(text: str, said: str) -> None:
    """Both as GeoNames has them."""
    assert first(text, "pt") == said


def test_the_beginning_of_a_name_is_enough_where_none_is_called_so() -> None:
    assert first("Reykj") == "Reykjavík, Iceland"
    assert towns_called("Rx", "en") == []
    assert len(towns_called("sant", "en")) > MOST_MATCHES


@pytest.mark.parametrize(
    "text", ["", " ", ",", "...", "Zzyzxville", "x" * 81, "Lisbon " * 20, "\t", "\n", "a\tb", "%00", "'"]
)
def test_what_is_no_name_finds_nothing(text: str) -> None:
    assert towns_called(text, "en") == []


def test_the_code_of_an_airport_is_no_name() -> None:
    assert [*towns_called("JFK", "en"), *towns_called("LHR", "en"), *towns_called("CDG", "en")] == []


def test_countries_are_said_in_the_language_of_the_page() -> None:
    """As in Unicode's CLDR, in the Portuguese of Portugal."""
    assert (country_name("DE", "en"), country_name("DE", "pt")) == ("Germany", "Alemanha")
    assert country_name("VN", "pt") == "Vietname"
    assert country_name("??", "pt") == "??"
    assert first("Londres, Reino Unido", "pt") == "Londres (London), Reino Unido"


def test_towns_stand_where_they_are() -> None:
    """Longitudes of city halls, to a tenth of a degree, from memory."""
    for name, degrees in (("Lisbon", -9.1), ("Tokyo", 139.7), ("Buenos Aires", -58.4), ("Suva", 178.4)):
        assert towns_called(name, "en")[0].longitude_degrees == pytest.approx(degrees, abs=0.15)
    assert all(-180.0 <= one.longitude_degrees <= 180.0 for one in gazetteer().towns)


def test_it_is_read_once() -> None:
    assert gazetteer() is gazetteer()
    assert len(gazetteer().towns) == len(gazetteer().begins) > 30_000
