import assert from "node:assert/strict";
import { createHash, randomUUID } from "node:crypto";
import { after, before, test } from "node:test";
import { deflateSync } from "node:zlib";
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
    list.push({ id, url: service.url, token, store, link, open, device: await open(link.fetch) });
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

/** A picture that does not compress, of three bytes a point. */
function picture(seed: number, width: number, height: number): Uint8Array<ArrayBuffer> {
  const random = mulberry(seed);
  const rows = Buffer.alloc(height * (1 + 3 * width));
  for (let i = 0; i < rows.length; i++) rows[i] = i % (1 + 3 * width) === 0 ? 0 : Math.floor(random() * 256);
  const crc = (b: Buffer) => {
    let c = ~0;
    for (const byte of b) { c ^= byte; for (let k = 0; k < 8; k++) c = c & 1 ? (c >>> 1) ^ 0xedb88320 : c >>> 1; }
    return ~c >>> 0;
  };
  const chunk = (name: string, data: Buffer) => {
    const body = Buffer.concat([Buffer.from(name), data]);
    const [length, sum] = [Buffer.alloc(4), Buffer.alloc(4)];
    length.writeUInt32BE(data.length); sum.writeUInt32BE(crc(body));
    return Buffer.concat([length, body, sum]);
  };
  const head = Buffer.alloc(13);
  head.writeUInt32BE(width, 0); head.writeUInt32BE(height, 4); head[8] = 8; head[9] = 2;
  return new Uint8Array(Buffer.concat([Buffer.from("\x89PNG\r\n\x1a\n", "latin1"), chunk("IHDR", head), chunk("IDAT", deflateSync(rows, { level: 1 })), chunk("IEND", Buffer.alloc(0))]));
}

test("pictures follow their records over a link that drops, doubles and delays", async () => {
  const { list } = await phones(11, 1);
  const { id: device, store, link } = list[0]!;
  const { url, token } = list[0]!;
  const taken = new Map<string, Uint8Array<ArrayBuffer>>();
  const open = (fetch: typeof globalThis.fetch) => Device.open({ url, token, id: device, store, fetch, random: mulberry(12), wait: async () => undefined, tries: 60, album: async (photo) => taken.get(photo) });
  const phone = await open(link.fetch);
  await phone.sync();
  const shot = async (bytes: Uint8Array<ArrayBuffer>, digestOf: Uint8Array) => {
    const photo = randomUUID();
    taken.set(photo, bytes);
    await phone.put("photo", photo, {
      job_id: job, sha256: createHash("sha256").update(digestOf).digest("hex"), bytes_count: bytes.length, media_type: "image/png", width_px: 900, height_px: 800,
      taken_at: new Date(Date.now() - 3600_000).toISOString(), stage: "survey", subjects: [{ kind: "job", id: job }],
    });
    return photo;
  };
  const large = picture(1, 1000, 900), small = picture(2, 40, 30); // 2.7 MB: three parts
  const good = [await shot(large, large), await shot(small, small)];
  const bad = await shot(picture(3, 40, 30), small); // the phone lost what it took and has another
  await phone.sync();
  await phone.pictures();
  const state = async (photo: string) => (await service.call("STAFF", "GET", `/v1/photos/${photo}`))["bytes_state"];
  for (const photo of good) assert.equal(await state(photo), "stored");
  assert.notEqual(await state(bad), "stored");
  assert.deepEqual(phone.troubles().map((n) => [n.id, n.problem?.["code"]]), [[bad, "digest_mismatch"]]);
  assert.ok(link.lost + link.doubled > 0, "the link was bad");
});

test("a new epoch: what the phone wrote is sent again and doubles nothing", async () => {
  const { list } = await phones(13, 1);
  const phone = list[0]!.device;
  const id = randomUUID();
  await phone.put("component", id, boot(97));
  await phone.sync();
  const before = await service.call("STAFF", "GET", "/v1/sync");
  service.run("history", "restored");
  await phone.put("component", id, boot(97, { found: "tight" }));
  await phone.sync();
  const now = await service.call("STAFF", "GET", "/v1/sync");
  assert.notEqual(now["epoch"], before["epoch"]);
  assert.equal(phone.pending, 0);
  assert.equal(phone.troubles().length, 0);
  const versions = (await service.call("STAFF", "GET", `/v1/components/${id}/versions`))["items"] as { record: Content }[];
  assert.deepEqual(versions.map((v) => v.record["found"]), ["leaky", "tight"]);
});

test("the guide's TypeScript runs", async () => {
  const page = await (await fetch(service.url + "/docs/guide")).text();
  const text = (html: string) => html.replace(/&#(\d+);/g, (_, n: string) => String.fromCharCode(Number(n))).replaceAll("&lt;", "<").replaceAll("&gt;", ">").replaceAll("&quot;", '"').replaceAll("&amp;", "&");
  const snippets = [...page.matchAll(/<pre class="typescript"><code>([^]*?)<\/code><\/pre>/g)].map((m) => text(m[1]!));
  assert.ok(snippets.length > 25);
  for (const snippet of snippets) {
    const asked: string[] = [];
    const fake = async (address: string, init?: RequestInit) => { asked.push(address); if (typeof init?.body === "string") JSON.parse(init.body); return new Response("{}"); };
    await (new Function("url", "token", "bytes", "fetch", `return (async () => { ${snippet} return answer; })()`) as (...a: unknown[]) => Promise<Response>)("https://service", "dl_x", new Uint8Array(1), fake);
    assert.equal(asked.length, 1);
    assert.match(asked[0]!, /^https:\/\/service\/v1\//);
  }
});

test("merge", () => {
  assert.deepEqual(merge({ a: 1, b: [1, { x: 1, y: 2 }] }, { b: [1, { y: 2, x: 1 }], c: 3 }, { a: 1, b: [2], d: 4 }), { merged: { b: [2], d: 4, c: 3 }, contested: [] });
});
