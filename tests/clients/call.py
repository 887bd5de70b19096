"""A program on the generated Python client: what a door needs, whether it has it, and what a bad request is told.

Usage: python call.py URL REQUEST, with `sillcast_client` on the path. Writes one JSON object.
"""

import json
import sys
from pathlib import Path

from sillcast_client import Client
from sillcast_client.api.planning import assess, require
from sillcast_client.models import Assessment, AssessmentRequest, NeedsAnswer, Problem, ProblemItem
from sillcast_client.types import Unset


def main(url: str, file: str) -> None:
    request = AssessmentRequest.from_dict(json.loads(Path(file).read_bytes()))
    with Client(base_url=url) as client:
        needs = require.sync(client=client, body=request)
        assert isinstance(needs, NeedsAnswer)
        assessment = assess.sync(client=client, body=request)
        assert isinstance(assessment, Assessment)
        request.door.opening.width_m = 99.0
        refused = assess.sync_detailed(client=client, body=request)
        assert isinstance(refused.parsed, Problem)
    print(
        json.dumps(
            {
                "zones": [zone.id for zone in needs.zones],
                "verdicts": [[each.zone, each.verdict, each.share] for each in assessment.comparisons],
                "refused": [refused.status_code.value, *map(fault, refused.parsed.errors)],
            }
        )
    )


def fault(item: ProblemItem) -> list[str]:
    return [item.pointer, "" if isinstance(item.allowed, Unset) else item.allowed]


main(*sys.argv[1:])
