import csv
import io

import numpy as np
import pytest

from tests.halves import spread
from tests.report.briefings import every_question
from wxfly.answer import findings
from wxfly.library.answers import hours_frame
from wxfly.report.facts.answer import facts_of
from wxfly.report.tables import columns_of, to_csv

ALL = every_question()


@pytest.mark.parametrize("name", spread(ALL, 3))
def test_the_csv_and_the_table_of_pandas_have_every_column_and_no_other_of_the_hours(name):
    facts = facts_of(ALL[name])
    wanted = [column.name for column in columns_of(facts, 0) if column.name != "hour"]
    assert hours_frame(facts).columns.tolist() == wanted
    header = next(csv.reader(io.StringIO(to_csv(facts))))
    plain = [cell.partition("[")[0].removesuffix("_local") for cell in header]
    assert [cell for cell in plain if cell in wanted] == wanted
    of_csv = {"notice", "hour_utc", "hour", "zone", "model", "run_utc", "retrieved_utc", "age_h", "attribution"}
    assert set(plain) - set(wanted) == of_csv | {"licence", "caution"}


@pytest.mark.parametrize("name", spread(ALL, 3))
def test_every_hour_has_the_limit_that_it_was_compared_with(name):
    facts = facts_of(ALL[name])
    for position, answer in enumerate(ALL[name].answers):
        columns = {column.name: column for column in columns_of(facts, position)}
        for element in facts.sites[position].elements:
            limit = answer.assessment["limit"].sel(element=element.name).values
            told = np.array(columns[f"{element.name}_limit"].hours, dtype=float)
            np.testing.assert_allclose(told, limit, atol=1e-6)


@pytest.mark.parametrize("name", ["best with gaps", "best with losses", "compare with gaps"])
def test_what_is_unknown_in_an_hour_are_the_gaps_in_it_those_first_that_make_it_not_known(name):
    facts = facts_of(ALL[name])
    for position, answer in enumerate(ALL[name].answers):
        (column,) = (column for column in columns_of(facts, position) if column.name == "not_known")
        gaps = findings.gaps(answer)
        assert column.hours == [[g.element for g in gaps if i in g.hours] for i in range(len(column.hours))]
