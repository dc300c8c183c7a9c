from dashboards.catalogue import LOCALE_DIR, Catalogue, catalogue, read_catalogue
from dashboards.language import LANGUAGES


def test_english_needs_no_catalogue_and_every_other_language_has_one():
    assert catalogue("en") == Catalogue()
    for code in LANGUAGES:
        if code != "en":
            assert catalogue(code).texts, code


def test_the_languages_offered_are_those_there_are_files_for():
    assert {path.parts[-3] for path in LOCALE_DIR.glob("*/*/*.po")} == set(LANGUAGES) - {"en"}


def test_no_catalogue_names_a_reviewer_who_signed_nothing():
    # a draft says so: whoever reviews one puts a name in, and takes it out of this list
    drafts = {code for code in LANGUAGES if code != "en"}
    assert {code for code in drafts if not catalogue(code).reviewed_by} == drafts
    assert {code for code in drafts if not catalogue(code).food_reviewed_by} == drafts


def test_a_number_without_plural_forms_of_its_own_is_told_in_english():
    nothing = Catalogue()
    assert [nothing.counted("one", "many", num) for num in (0, 1, 2)] == ["many", "one", "many"]


def test_a_message_with_one_empty_form_counts_as_missing():
    found = read_catalogue('msgid "a"\nmsgid_plural "b"\nmsgstr[0] "x"\nmsgstr[1] ""\n')
    assert found.counted("a", "b", 2) == "b"
