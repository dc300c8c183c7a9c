import io

from dashboards.extracted import python_texts, template_texts

MODULE = """
from dashboards.language import _, food, ngettext
A = Table[str]({"k": "In a table", "l": "Another"})
B = FoodLines("Keep it cold.", "Serve " "nothing.", low=2)
C = FoodPhrase("Discard it.")
D = {"k": ("ok", msg("Marked"))}
def words(n, x):
    x.get("not this")
    _(x)
    return _("Plain %(n)s", n=n), food("Hold"), ngettext("one", "many", n), language._("By its module")
"""
TEMPLATE = """
{{ _("Plain") }}{{ _("With %(x)s", x=y) }}{{ food_text("Serve none") }}
{{ temperature("probe_c", _("Probe")) }}
{% trans "food" name=n %}Nothing
  from <b>{{ name }}</b>.{% endtrans %}
<p aria-label="{{ _("Label") }}">not marked</p>
"""


def found(method, source):
    return {(name, texts) for _, name, texts, _ in method(io.BytesIO(source.encode()), (), (), {})}


def test_every_way_to_write_a_text_in_a_module_is_found():
    assert found(lambda *a: python_texts(*a[:3], options=a[3]), MODULE) == {
        ("gettext", "In a table"),
        ("gettext", "Another"),
        ("pgettext", ("food", "Keep it cold.")),
        ("pgettext", ("food", "Serve nothing.")),
        ("pgettext", ("food", "Discard it.")),
        ("gettext", "Marked"),
        ("gettext", "Plain %(n)s"),
        ("pgettext", ("food", "Hold")),
        ("ngettext", ("one", "many")),
        ("gettext", "By its module"),
    }


def test_every_way_to_write_a_text_in_a_template_is_found():
    told = {(name, texts) for name, texts in found(template_texts, TEMPLATE) if name != "_" or texts}
    plain = {texts[0] if isinstance(texts, tuple) else texts for name, texts in told if name != "pgettext"}
    of_food = {texts[1] for name, texts in told if name == "pgettext"}
    assert plain == {"Plain", "With %(x)s", "Probe", "Label"}
    assert of_food == {"Serve none", "Nothing from <b>%(name)s</b>."}
