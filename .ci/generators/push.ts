// Pushes a new job with a generated client, typed from end to end, and reads it back.

import assert from "node:assert/strict";
import { randomUUID } from "node:crypto";
import { type BatchItem, type Entry, changes, entries, instruments, push, start } from "#client";

const contractor = (await start()).device?.contractor_id;
assert.ok(contractor, "the token's device is a contractor's");
const fan = (await instruments()).items.find((e) => e.record.instrument === "duct_fan");
assert.ok(fan, "the contractor has a fan");

const [home, job, boot, reading, hole, repair, visit] = Array.from({ length: 7 }, () => randomUUID()) as [string, string, string, string, string, string, string];
const today = new Date().toISOString();
const items: BatchItem[] = [
  { kind: "home", id: home, record: { section_count: 1, ducted_sections: ["A"], furnace_kind: "electric", floor_area_ft2: 980 } },
  { kind: "job", id: job, record: { home_id: home, contractor_id: contractor, pay_basis: "measured", state: "in_work" } },
  { kind: "visit", id: visit, record: { job_id: job, visited_on: today.slice(0, 10), damage_before: [{ what: "A torn wrap below the bath." }] } },
  { kind: "component", id: boot, record: { job_id: job, component: "boot", section: "A", number: 1, found: "detached", widest_gap_in: 0.5 } },
  { kind: "measurement", id: reading, record: { job_id: job, method: "fan_total", stage: "before", instrument_id: fan.id, taken_at: today, readings: [{ pressure_pa: 25, flow_cfm: 318 }] } },
  { kind: "opening", id: hole, record: { job_id: job, in: "wrap", origin: "crew", section: "A", position_ft: 20.4 } },
  { kind: "repair", id: repair, base_version: 0, record: { job_id: job, repair: "boot", component_ids: [boot], access: "below", done_at: today, materials: ["mastic", "mesh"] } },
];

const answer = await push(items);
assert.deepEqual(answer.items.map((i) => i.status), items.map(() => "created"), JSON.stringify(answer.items));
assert.equal(answer.jobs[0]?.job_id, job);
assert.ok(answer.jobs[0]?.findings?.some((f) => f.outcome === "not_recorded" || f.outcome === "broken"), "a job in work has findings");

// An entry's record is known by its kind.
const told = (e: Entry): string => {
  switch (e.kind) {
    case "measurement": return `${e.record.readings[0]?.flow_cfm} cfm by ${e.record.method}`;
    case "component": return `${e.record.component} ${e.record.found}`;
    case "visit": return e.record.damage_before?.[0]?.what ?? "";
    default: return e.kind;
  }
};
const back = (await entries(job)).items;
assert.deepEqual(back.map(told).sort(), ["318 cfm by fan_total", "A torn wrap below the bath.", "boot detached", "job", "opening", "repair"]);

const seen = new Set<string>();
for (let after = "0", more = true; more; ) {
  const page = await changes(after);
  for (const item of page.items) {
    if (item.op === "drop") continue;
    if (item.kind === "component" && item.record.job_id === job) seen.add(item.record.component);
  }
  ({ next_after: after, more } = page);
}
assert.deepEqual([...seen], ["boot"]);

// What a crew's app must not be able to write.
export const refused: BatchItem[] = [
  // @ts-expect-error what a component has is no opening
  { kind: "opening", id: hole, record: { job_id: job, component: "boot", found: "tight" } },
  // @ts-expect-error there is no such place
  { kind: "opening", id: hole, record: { job_id: job, in: "roof", origin: "crew" } },
  // @ts-expect-error a kind that there is not
  { kind: "gauge", id: hole, record: { job_id: job } },
];
console.log(`pushed and read back a job of ${items.length} records`);
