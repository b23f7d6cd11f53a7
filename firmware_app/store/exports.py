"""A ride in open formats besides CSV: RR intervals as plain text, and heart rate as an HL7 FHIR R4 bundle."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any, TextIO
from uuid import NAMESPACE_URL, uuid5

from firmware_app.core.record import RideRecord
from firmware_app.store.csvfile import rr_text


class ExportError(ValueError):
    """The ride cannot be given in this format. The text says why and what to do."""


def export_rr(record: RideRecord, file: TextIO) -> None:
    """Write every RR interval as the strap sent it, in ms, one a line: what tools for heart-rate variability read."""
    file.writelines(f"{rr_text(rr_ms)}\n" for rr_ms in record.rr_ms.tolist())


def export_fhir(record: RideRecord, file: TextIO) -> None:
    """Write the trusted heart rate as a FHIR bundle, one Observation per measurement; without one there is none.

    Raises ExportError when the ride has no date, which every Observation needs.
    Sources: HL7 FHIR R4 (4.0.1), Bundle, Observation and the vital-signs profile ``heartrate``; LOINC 8867-4; UCUM.
    """
    json.dump(fhir_bundle(record), file)
    file.write("\n")


def fhir_bundle(record: RideRecord) -> dict[str, Any]:
    """The bundle of ``export_fhir`` as plain data. Heart rates to 0.1 bpm, times to 1 ms in UTC."""
    started_unix_s = record.facts.started_unix_s
    if started_unix_s is None:
        raise ExportError("the ride has no date (the clock was never set), and FHIR needs one: export it as csv")
    started = datetime.fromtimestamp(started_unix_s, UTC)
    entries = [
        _entry((started + timedelta(seconds=t_s)).isoformat(timespec="milliseconds"), trusted_bpm, number)
        for number, (t_s, trusted_bpm) in enumerate(zip(record.t_s.tolist(), record.trusted_bpm.tolist(), strict=True))
        if trusted_bpm == trusted_bpm
    ]
    bundle: dict[str, Any] = {"resourceType": "Bundle", "type": "collection"}
    if entries:
        # FHIR allows no empty list.
        bundle["entry"] = entries
    return bundle


def _entry(time: str, hr_bpm: float, number: int) -> dict[str, Any]:
    return {
        # The same ride exported again gives the same names, so that whoever has it already can tell.
        "fullUrl": f"urn:uuid:{uuid5(NAMESPACE_URL, f'rumblestrip:heart-rate:{time}:{number}')}",
        "resource": {
            "resourceType": "Observation",
            "meta": {"profile": ["http://hl7.org/fhir/StructureDefinition/heartrate"]},
            "status": "final",
            "category": [
                {
                    "coding": [
                        {
                            "system": "http://terminology.hl7.org/CodeSystem/observation-category",
                            "code": "vital-signs",
                            "display": "Vital Signs",
                        }
                    ]
                }
            ],
            "code": {"coding": [{"system": "http://loinc.org", "code": "8867-4", "display": "Heart rate"}]},
            "subject": {"display": "the rider"},
            "effectiveDateTime": time,
            "device": {"display": "chest strap while cycling; not a medical device"},
            "valueQuantity": {
                "value": round(hr_bpm, 1),
                "unit": "beats/minute",
                "system": "http://unitsofmeasure.org",
                "code": "/min",
            },
        },
    }
