"""Law: whatever JSON a job becomes, each form that it had comes back exactly, its keys in their order too."""

import json

from hypothesis import given
from hypothesis import strategies as st

from portmap.revisions import earlier_document, with_revision

leaves = st.none() | st.booleans() | st.integers(-3, 3) | st.floats(-2, 2) | st.text(max_size=3)
values = st.recursive(
    leaves,
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(st.sampled_from("abcde"), inner, max_size=4),
    max_leaves=25,
)
documents = st.dictionaries(
    st.sampled_from(["name", "maps", "edits", "readings", "plan"]), values, max_size=5
)


@given(st.lists(documents, min_size=2, max_size=6))
def test_every_form_comes_back(forms):
    distinct = [forms[0]]
    for form in forms[1:]:
        if json.dumps(form) != json.dumps(distinct[-1]):
            distinct.append(form)
    job = distinct[0]
    for form in distinct[1:]:
        job = with_revision(job, form, reason="drawn", at="2024-05-01")
    for back in range(1, len(distinct)):
        assert json.dumps(earlier_document(job, back)) == json.dumps(distinct[-1 - back])
