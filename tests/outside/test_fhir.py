"""The FHIR export against an independent model of the standard.

Source: HL7 FHIR R4B by the library ``fhir.resources``; R4B left Bundle and Observation of R4 (4.0.1) as they were (from
memory). The profile ``heartrate`` of the vital signs is not in the library: what it asks for is written out below (from
memory of hl7.org/fhir/R4/heartrate.html). The units are UCUM's, the code is LOINC's.
"""

from __future__ import annotations

import io
import json
from datetime import UTC, datetime, timedelta

import pytest

from firmware_app.core.events import Sample
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts, RideRecord, record_of
from firmware_app.store.exports import ExportError, export_fhir

STARTED = datetime(2026, 5, 4, 16, 2, 11, 250_000, tzinfo=UTC)


def ride(started_unix_s: float | None, *trusted_bpm: float | None) -> RideRecord:
    samples = [Sample(index * 1.004, Measurement(200), bpm, 1.0) for index, bpm in enumerate(trusted_bpm)]
    return record_of(RideFacts(hr_max_bpm=190, started_unix_s=started_unix_s), samples, [], 10.0)


def exported(record: RideRecord) -> str:
    text = io.StringIO()
    export_fhir(record, text)
    return text.getvalue()


def test_the_bundle_is_valid_and_says_what_was_trusted() -> None:
    from fhir.resources.R4B.bundle import Bundle

    text = exported(ride(STARTED.timestamp(), 121.0, None, 122.46875))
    bundle = Bundle.model_validate_json(text)
    assert bundle.type == "collection"
    observations = [entry.resource for entry in bundle.entry]
    assert len({entry.fullUrl for entry in bundle.entry}) == 2
    # The strap's own number, which the gate did not trust, appears nowhere.
    assert [float(each.valueQuantity.value) for each in observations] == [121.0, 122.5]
    assert [each.effectiveDateTime for each in observations] == [
        STARTED,
        STARTED + timedelta(milliseconds=2008),
    ]
    for each in observations:
        assert each.get_resource_type() == "Observation"
        assert each.status == "final"
        assert each.meta.profile == ["http://hl7.org/fhir/StructureDefinition/heartrate"]
        assert (each.code.coding[0].system, each.code.coding[0].code) == ("http://loinc.org", "8867-4")
        category = each.category[0].coding[0]
        assert category.system == "http://terminology.hl7.org/CodeSystem/observation-category"
        assert category.code == "vital-signs"
        assert (each.valueQuantity.system, each.valueQuantity.code) == ("http://unitsofmeasure.org", "/min")
        assert each.subject is not None


def test_the_library_would_have_noticed() -> None:
    from fhir.resources.R4B.bundle import Bundle

    document = json.loads(exported(ride(STARTED.timestamp(), 121.0)))
    document["entry"][0]["resource"]["valueQuantity"]["value"] = "fast"
    with pytest.raises(ValueError, match="value"):
        Bundle.model_validate(document)
    document = json.loads(exported(ride(STARTED.timestamp(), 121.0)))
    del document["entry"][0]["resource"]["code"]
    with pytest.raises(ValueError, match="code"):
        Bundle.model_validate(document)


def test_a_ride_without_a_trusted_heart_rate_is_an_empty_bundle() -> None:
    from fhir.resources.R4B.bundle import Bundle

    assert not Bundle.model_validate_json(exported(ride(STARTED.timestamp(), None))).entry


def test_the_same_ride_gives_the_same_names() -> None:
    record = ride(STARTED.timestamp(), 121.0, 122.0)
    assert exported(record) == exported(record)


def test_a_ride_without_a_date_is_refused() -> None:
    with pytest.raises(ExportError, match="no date"):
        exported(ride(None, 121.0))
