from babel.messages.catalog import Catalog

from dashboards import catalogue
from dashboards.catalogue import FOOD, read_catalogue
from dashboards.language import LANGUAGES
from deploy import texts


def wanted(*msgids):
    found = Catalog(charset="utf-8")
    for msgid in msgids:
        found.add(msgid, locations=[("fleet.html", 0)])
    found.add("Cold", context=FOOD, locations=[("text.py", 0)])
    return found


def put(folder, language, text):
    path = texts.path_of(language)
    assert folder in path.parents
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")


def test_what_is_new_is_added_what_is_gone_is_dropped_and_what_was_said_stays(tmp_path, monkeypatch):
    monkeypatch.setattr(texts, "LOCALE_DIR", tmp_path)
    put(tmp_path, "fr", texts.updated("fr", wanted("Fleet", "Gone")))
    said = texts.path_of("fr").read_text(encoding="utf-8")
    said = said.replace('msgid "Fleet"\nmsgstr ""', 'msgid "Fleet"\nmsgstr "Parc"')
    put(tmp_path, "fr", said.replace("# X-Reviewed-By:\n", "# X-Reviewed-By: Inès M.\n"))
    after = texts.updated("fr", wanted("Fleet", "New"))
    found = read_catalogue(after)
    assert (found.text("Fleet"), found.reviewed_by) == ("Parc", "Inès M.")
    assert 'msgid "New"' in after
    assert "Gone" not in after
    put(tmp_path, "fr", after)
    assert texts.updated("fr", wanted("Fleet", "New")) == after
    assert texts.coverage("fr").startswith("fr  1 of 2 texts (50 %), read by Inès M.; 1 sentences")


def test_a_translation_that_loses_a_named_place_or_a_tag_is_a_fault(tmp_path, monkeypatch):
    monkeypatch.setattr(texts, "LOCALE_DIR", tmp_path)
    lost = 'msgid "From %(a)s to %(b)s"\nmsgstr "De %(a)s"\n\nmsgid "<b>Now</b>"\nmsgstr "Maintenant"\n'
    put(tmp_path, "fr", lost + '\nmsgid "By %(a)s"\nmsgstr "Par %(a)s"\n')
    assert len(list(texts.faults("fr"))) == 2


def test_a_translation_that_would_break_its_page_or_promise_something_of_food_is_a_fault(
    tmp_path, monkeypatch
):
    monkeypatch.setattr(texts, "LOCALE_DIR", tmp_path)
    put(
        tmp_path,
        "fr",
        'msgid "Half"\nmsgstr "50 %"\n\nmsgid "Half %%"\nmsgstr "50 %%"\n\nmsgid "5 % a"\nmsgstr ""\n',
    )
    assert [each.split(" has ")[0] for each in texts.faults("fr")] == ["fr: '50 %'", "fr: '5 % a'"]
    told = 'msgid "Cold"\nmsgstr "{}"\n\nmsgctxt "food"\nmsgid "Cold"\nmsgstr "{}"\n'
    for word in ("salama", "Veilig", "seguro", "sûre", "sans danger"):
        put(tmp_path, "fr", told.format(word, word))
        assert len(list(texts.faults("fr"))) == 1, word
    put(tmp_path, "fr", told.format("froid", "assurément froid"))
    assert list(texts.faults("fr")) == []


def test_every_text_of_the_pages_is_found_and_no_catalogue_that_is_shipped_is_wrong():
    found = texts.texts()
    assert found.get("Fleet") is not None
    assert found.get("Discard advised", FOOD) is not None
    for language in LANGUAGES:
        if language != "en":
            assert list(texts.faults(language)) == []
            assert catalogue.catalogue(language).texts
