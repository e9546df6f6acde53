"""Site bias: the errors of past forecasts of a place, corrected in a new forecast where the pilot asks for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import xarray as xr

from wxfly.assessment.forecast_error import ErrorLaw
from wxfly.errors import WxflyError
from wxfly.pilot.settings import config_folder
from wxfly.pilot.site import Site


def records_file() -> Path:
    """Return the path of the file of site records."""
    return config_folder() / "records.toml"


def with_record(
    cube: xr.Dataset, ensembles: tuple[xr.Dataset, ...], sites: Sequence[Site], switched_on: bool
) -> tuple[xr.Dataset, tuple[xr.Dataset, ...], ErrorLaw | None, list[str]]:
    """Apply a site's record where the pilot asks for it; the answer reports that."""
    if not switched_on:
        return cube, ensembles, None, []
    from wxfly.assessment.forecast_error import default_error_law
    from wxfly.history.verification import correct, load_record

    if len(sites) > 1:
        raise WxflyError("--site-record is for one site; ask for one at a time")
    record = load_record(records_file(), sites[0].name)
    if cube.attrs.get("model") != record.model:
        raise WxflyError(
            f"the record of {record.site} is for forecasts of {record.model}, not of {cube.attrs.get('model')}; "
            f"ask with --model {record.model}"
        )
    law = replace(default_error_law(), factors=record.error_factors)
    same = tuple(correct(e, record) if e.attrs.get("model") == record.model else e for e in ensembles)
    return correct(cube, record), same, law, [record.words]
