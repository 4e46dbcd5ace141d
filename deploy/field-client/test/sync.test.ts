import assert from "node:assert/strict";
import { randomUUID } from "node:crypto";
import { after, before, test } from "node:test";
import { type Content, MemoryStore, type Note } from "../src/store.js";
import { merge } from "../src/merge.js";
import { Device } from "../src/sync.js";
import { badLink, mulberry } from "./badlink.js";
import { Service } from "./service.js";

let service: Service;
let contractor: string;
let job: string;

before(async () => {
  service = await Service.start();
  const jobs = (await service.call("FIELD", "GET", "/v1/jobs?limit=500"))["items"] as { id: string; record: Content }[];
  const open = jobs.find((j) => j.record["state"] === "assigned" || j.record["state"] === "in_work");
  assert.ok(open, "the demo has an open job");
  job = open.id;
  contractor = open.record["contractor_id"] as string;
});
after(() => service.stop());

async function phones(seed: number, count: number) {
  const random = mulberry(seed);
  const list = [];
  for (let i = 0; i < count; i++) {
    const { id, token } = await service.phone(contractor, `Invented phone ${seed}-${i}`);
    const store = new MemoryStore();
    const link = badLink(random);
    const open = (fetch: typeof globalThis.fetch) => Device.open({ url: service.url, token, id, store, fetch, random, wait: async () => undefined, tries: 60 });
    list.push({ id, store, link, open, device: await open(link.fetch) });
  }
  return { random, list };
}

const boot = (number: number, more: Content = {}): Content => ({ job_id: job, component: "boot", section: "A", number, found: "leaky", ...more });

test("devices on a bad link stay in step and lose nothing", async () => {
  for (let seed = 1; seed <= 5; seed++) {
    const { random, list } = await phones(seed, 3);
    for (const p of list) await p.device.sync();
    const ids: string[] = [];
    const written = new Map<string, Set<string>>();
    for (let step = 0; step < 60; step++) {
      const p = list[Math.floor(random() * list.length)]!;
      const what = random();
      if (what < 0.35 || ids.length === 0) {
        const id = randomUUID();
        ids.push(id);
        await p.device.put("component", id, boot(1 + (step % 90), { position_ft: step }));
        written.set(id, new Set());
      } else if (what < 0.65) {
        const id = ids[Math.floor(random() * ids.length)]!;
        const known = p.device.record("component", id);
        if (known) await p.device.put("component", id, { ...known, found: ["leaky", "tight", "detached"][Math.floor(random() * 3)]! });
      } else if (what < 0.7) {
        p.device = await p.open(p.link.fetch); // the app was ended and starts again
      } else {
        await p.device.sync();
      }
    }
    for (let round = 0; round < 3; round++) for (const p of list) await p.device.sync();
    assert.ok(list.every((p) => p.link.lost + p.link.doubled + p.link.late > 0), "the link was bad");

    // Whoever asks the service sees what every phone has: nothing lost, nothing twice.
    const stored = new Map<string, { version: number; record: Content }>();
    const whole = await service.call("STAFF", "GET", `/v1/jobs/${job}/entries`);
    for (const e of whole["items"] as unknown as { kind: string; id: string; version: number; record: Content }[]) stored.set(`${e.kind}/${e.id}`, e);
    for (const id of ids) assert.ok(stored.has(`component/${id}`), `seed ${seed}: ${id} is stored`);
    for (const p of list) {
      const good = await p.open(fetch);
      await good.sync();
      assert.equal(good.pending, 0);
      assert.equal(await good.check(), 0, `seed ${seed}: the sums agree`);
      for (const [key, e] of stored) {
        const [kind, id] = key.split("/") as [string, string];
        assert.deepEqual(good.record(kind, id), e.record, `seed ${seed}: ${key}`);
      }
      for (const n of good.troubles()) assert.ok((n.contested ?? []).length > 0, `${n.kind} ${JSON.stringify(n.problem)}`);
    }
  }
});

test("different fields of one record merge, the same field is shown to a person", async () => {
  const { list } = await phones(99, 2);
  const [a, b] = [await list[0]!.open(fetch), await list[1]!.open(fetch)];
  const id = randomUUID();
  await a.put("component", id, boot(95));
  await a.sync();
  await b.sync();
  await a.put("component", id, { ...a.record("component", id)!, found: "tight" });
  await b.put("component", id, { ...b.record("component", id)!, position_ft: 12.5 });
  await a.sync();
  await b.sync();
  await a.sync();
  assert.deepEqual(a.record("component", id), boot(95, { found: "tight", position_ft: 12.5 }));
  assert.deepEqual(b.record("component", id), a.record("component", id));
  assert.equal(b.troubles().length, 0);

  await a.put("component", id, { ...a.record("component", id)!, found: "leaky" });
  await b.put("component", id, { ...b.record("component", id)!, found: "detached" });
  await a.sync();
  await b.sync();
  assert.equal(b.record("component", id)!["found"], "leaky", "what came first stands");
  const shown: Note[] = b.troubles();
  assert.deepEqual(shown[0]?.contested, [{ field: "found", ours: "detached", stands: "leaky" }]);
});

test("what is refused stays on the phone with its reason", async () => {
  const { list } = await phones(7, 1);
  const phone = await list[0]!.open(fetch);
  await phone.sync();
  const id = randomUUID();
  await phone.put("component", id, boot(96, { position_ft: -5 }));
  await phone.sync();
  const [trouble] = phone.troubles();
  assert.equal(trouble?.id, id);
  assert.match(JSON.stringify(trouble?.problem), /position_ft/);
  assert.equal(phone.record("component", id)!["position_ft"], -5, "nothing is thrown away");
  await phone.put("component", id, boot(96, { position_ft: 5 }));
  await phone.sync();
  assert.equal(phone.troubles().length, 0);
  const stored = await service.call("STAFF", "GET", `/v1/components/${id}`);
  assert.equal((stored["record"] as Content)["position_ft"], 5);
});

test("merge", () => {
  assert.deepEqual(merge({ a: 1, b: [1, { x: 1, y: 2 }] }, { b: [1, { y: 2, x: 1 }], c: 3 }, { a: 1, b: [2], d: 4 }), { merged: { b: [2], d: 4, c: 3 }, contested: [] });
});
