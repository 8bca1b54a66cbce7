"""Reads OpenMetrics text from standard input with a library foreign to this project, and says what is
in it as JSON. Fails on what the library's strict parser does not take."""

import json
import sys

from prometheus_client.openmetrics.parser import text_string_to_metric_families

families = {}
for family in text_string_to_metric_families(sys.stdin.read()):
    assert family.documentation, family.name
    families[family.name] = {
        "type": family.type,
        "unit": family.unit,
        "samples": [{"name": s.name, "labels": s.labels, "value": s.value} for s in family.samples],
    }
print(json.dumps(families))
