"""Draws a published draw of inspections again, from its JSON on standard input.

Fails where a digest, a chance or a drawn job differs. Source of the numbers:
HMAC, RFC 2104; SHA-256, FIPS 180-4; 1 - (1 - n/N)(1 - b) [calc].
"""
import hashlib
import hmac
import json
import math
import sys

draw = json.load(sys.stdin)["record"]
seed = bytes.fromhex(draw["seed"])
jobs = draw["jobs"]


def u(text):
    digest = hmac.new(seed, text.encode(), hashlib.sha256).digest()
    return (int.from_bytes(digest[:8], "big") >> 11) / 2**53


def fail(text):
    sys.exit(text)


if hashlib.sha256(seed).hexdigest() != draw["seed_sha256"]:
    fail("the seed is not the one that was promised")
frame = "".join(f'{j["job_id"]} {j["contractor_id"]} {j.get("risk_count", 0)}\n' for j in jobs)
if hashlib.sha256(frame.encode()).hexdigest() != draw["frame_sha256"]:
    fail("the frame is not the one that was published")

strata = {}
for j in jobs:
    strata.setdefault(j["contractor_id"], []).append(j)
at_random = set()
for members in strata.values():
    n = math.ceil(len(members) * draw["share_percent"] / 100)
    members.sort(key=lambda j: (u(j["job_id"]), j["job_id"]))
    if draw.get("as_sent_in"):
        n = max(n, sum(u(j["job_id"]) < draw["share_percent"] / 100 for j in members))
    at_random.update(j["job_id"] for j in members[:n])
    for j in members:
        j["n"], j["N"] = n, len(members)

risks = sum(j.get("risk_count", 0) for j in jobs)
for j in jobs:
    by_risk = min(1, draw.get("top_up_count", 0) * j.get("risk_count", 0) / risks) if risks else 0
    chance = 1 - (1 - j["n"] / j["N"]) * (1 - by_risk)
    if abs(chance - j["chance_ratio"]) > 1e-12:
        fail(f'{j["job_id"]}: the chance is {chance}, published {j["chance_ratio"]}')
    if (j["job_id"] in at_random) != j.get("drawn_at_random", False):
        fail(f'{j["job_id"]}: drawn at random differs')
    if (u("risk/" + j["job_id"]) < by_risk) != j.get("drawn_by_risk", False):
        fail(f'{j["job_id"]}: drawn by risk differs')
for v in draw.get("visits", []):
    if (u("visit/" + v["job_id"]) < draw.get("visit_percent", 0) / 100) != v.get("drawn", False):
        fail(f'{v["job_id"]}: drawn for a visit differs')
print(len(jobs), len(at_random))
