// The loop that keeps a phone and the service in step. The one idea: no answer
// ever makes the device throw work away, and sending again is always harmless.
//
//   const phone = await Device.open({ url, token, id, store });
//   await phone.put("opening", id, record);   // offline
//   await phone.sync();                       // whenever there is a signal

import type { components } from "./contract.js";
import { Link, type LinkOptions, Problem } from "./link.js";
import { merge } from "./merge.js";
import { type Content, type Draft, type Json, type Mark, type Note, type Store, checksum, keyOf } from "./store.js";

type Answer = components["schemas"]["BatchAnswer"];
type ItemAnswer = Answer["items"][number];
type Start = components["schemas"]["SyncStart"];

/** An entry of the feed as the device reads it; what it does not know it skips. */
interface Entry {
  op?: string;
  kind?: string;
  id?: string;
  version?: number;
  position?: number;
  job_id?: string;
  home_id?: string;
  device_id?: string;
  void?: Json;
  record?: Content;
  resident?: Json;
  contact_until_at?: string;
}

export interface Options extends LinkOptions {
  id: string; // the device's own, as its token names it
  store: Store;
  client?: { name: string; version: string; schema: number };
  now?: () => Date;
}

const day = 24 * 3600 * 1000;
// Jobs together, parents before children, so that little has to wait.
const ranks = ["contractor", "crew_member", "credential", "instrument", "device", "home", "job", "appointment", "call_back", "visit", "component",
  "crossover", "opening", "repair", "energy_isolation", "measurement", "photo", "review", "waiver", "inspection"];

export class Device {
  private notes = new Map<string, Note>();
  private mark: Mark = { told: 0 };
  /** Findings of each job in numbers, as the newest push told. */
  readonly counts = new Map<string, Answer["jobs"][number]>();

  private readonly link: Link;

  private constructor(private readonly o: Options & Required<Pick<Options, "client" | "now">>) {
    this.link = new Link(o, () => this.wipe());
  }

  static async open(o: Options): Promise<Device> {
    const d = new Device({ client: { name: "field-client", version: "0.1.0", schema: 1 }, now: () => new Date(), ...o });
    const kept = await o.store.load();
    for (const n of kept.notes) d.notes.set(keyOf(n), n);
    if (kept.mark) d.mark = kept.mark;
    return d;
  }

  /** Notes what the crew wrote; durable when the promise resolves. */
  put(kind: string, id: string, record: Content) { return this.write(kind, id, { record }, kind === "job" ? id : (record["job_id"] as string | undefined)); }
  /** Notes that a record no longer counts, and why. */
  void(kind: string, id: string, reason: string) { return this.write(kind, id, { void: reason }, undefined); }

  private async write(kind: string, id: string, content: { record?: Content; void?: string }, jobId: string | undefined) {
    const n = this.note(kind, id);
    if (jobId) n.jobId = jobId;
    const before = n.draft; // not sent yet: the newest content takes its place
    n.draft = { base: n.version, ...(n.record && { from: n.record }), ...(before && { ...before, record: undefined, void: undefined }), ...content, writtenAt: this.o.now().toISOString() } as Draft;
    delete n.problem;
    await this.save([n]);
  }

  /** The newest content that the device has of a record. */
  record(kind: string, id: string): Content | undefined {
    const n = this.notes.get(keyOf({ kind, id }));
    return n && !n.droppedAt ? newest(n) : undefined;
  }
  /** All records on the device that are in sight. */
  records() { return [...this.notes.values()].filter((n) => !n.droppedAt && newest(n)); }
  /** How many records the service has not answered yet. */
  get pending() { return this.all(owes).length; }
  /** What a person must look at: refused, or changed by two at once. */
  troubles() { return this.all((n) => n.problem !== undefined || (n.contested ?? []).length > 0); }

  /** Delivers what the device has, takes in what is new, and delivers what that made unsent. */
  async sync() {
    await this.push();
    await this.pull();
    await this.push();
  }

  // ---- push

  async push() {
    for (let size = 500, failures = 0; ; ) {
      const batch = this.next(size);
      if (batch.length === 0) return;
      await this.save(batch); // what is on its way is known after a restart
      let failed: unknown;
      try {
        if (!this.answered(batch, await this.link.call<Answer>("POST", "/v1/batches", this.batch(batch)))) {
          await this.save(batch);
          failures = 0;
          continue;
        }
        await this.save(batch);
      } catch (error) {
        failed = error;
        if (error instanceof Problem && error.code === "epoch_changed") {
          await this.beginAgain(error);
          await this.link.pause(1, error);
          await this.pull();
          continue;
        }
        if (error instanceof Problem && !error.passing) throw error;
        size = Math.max(1, Math.floor(batch.length / 2)); // a large batch may never get through a thin link
      }
      if (++failures === this.link.tries) throw new Error("the service did not take the work; it stays on the device", { cause: failed });
      await this.link.pause(failures, failed);
    }
  }

  private next(size: number): Note[] {
    const batch: Note[] = [];
    let bytes = 0;
    for (const n of this.all(owes)) {
      bytes += JSON.stringify(newest(n) ?? {}).length + 120;
      if (batch.length > 0 && (batch.length === size || bytes > 64 * 1024)) break;
      if (!n.sending && n.draft) { n.sending = n.draft; delete n.draft; }
      batch.push(n);
    }
    return batch;
  }

  private batch(notes: Note[]) {
    const left = this.all(owes).filter((n) => !notes.includes(n) || n.draft);
    const oldest = left.map((n) => (n.draft ?? n.sending)!.writtenAt).sort()[0];
    return {
      ...(this.mark.epoch && { epoch: this.mark.epoch }), ...(this.mark.receipt && { receipt: this.mark.receipt }),
      sent_at: this.o.now().toISOString(), client: this.o.client,
      pending: { records_count: left.length, ...(oldest && { oldest_at: oldest }), job_ids: [...new Set(left.flatMap((n) => n.jobId ?? []))] },
      items: notes.map(({ kind, id, sending }) => ({
        kind, id, base_version: sending!.base, ...(sending!.void ? { void: { reason: sending!.void } } : { record: sending!.record! }),
        ...(sending!.resolves && { resolves: sending!.resolves }),
      })),
    };
  }

  /** Takes in what became of each item; true when some must be sent again. */
  private answered(batch: Note[], answer: Answer): boolean {
    let again = false;
    for (const item of answer.items) {
      const n = batch[item.index];
      if (n) again = this.settle(n, item) || again;
    }
    for (const job of answer.jobs) this.counts.set(job.job_id, job);
    if (answer.epoch) this.mark.epoch = answer.epoch;
    if (answer.receipt) this.mark.receipt = answer.receipt;
    return again;
  }

  private settle(n: Note, item: ItemAnswer): boolean {
    const sent = n.sending!;
    this.told(item.position);
    const keep = (version: number, position: number) => {
      delete n.sending;
      Object.assign(n, { sent, sentVersion: version, sentPosition: position, answeredAt: this.o.now().toISOString() });
    };
    switch (item.status) {
      case "created": case "updated": case "replayed":
        keep(item.version!, item.position ?? 0);
        n.once = 0;
        delete n.problem; delete n.heldId;
        if (item.version! >= n.version) {
          Object.assign(n, { version: item.version!, voided: sent.void !== undefined });
          if (sent.record) n.record = sent.record;
        }
        if (n.draft) { n.draft.base = item.version!; if (n.record) n.draft.from = n.record; }
        if (item.current) this.takeEntry(item.current as Entry);
        return false;
      case "conflict":
        if (item.held_id) n.heldId = item.held_id;
        this.conflict(n, item.current as Entry | undefined);
        return false;
      case "waiting":
        if (n.once && sent.void && sent.from && !n.draft) { // the service lost what was voided: both go once more
          n.sending = { base: 0, record: sent.from, writtenAt: sent.writtenAt }; n.draft = sent; n.once = 0;
          return false;
        }
        keep(0, 0);
        if (item.held_id) n.heldId = item.held_id;
        return false;
      case "rejected":
        keep(0, 0);
        n.once = 0;
        if (item.held_id) n.heldId = item.held_id;
        n.problem = (item.problem ?? {}) as Content;
        return false;
      default: // "retry", and what a newer service may say
        return true;
    }
  }

  /** Makes the next content of a record that somebody changed meanwhile. */
  private conflict(n: Note, current: Entry | undefined) {
    const own: Draft = n.draft ? { ...n.draft, ...(n.sending!.from && { from: n.sending!.from }) } : n.sending!;
    const version = current?.version ?? 0;
    delete n.sending; delete n.draft;
    this.told(current?.position);
    const next: Draft = { ...own, base: version, ...(current?.record && { from: current.record }), ...(n.heldId && { resolves: n.heldId }) };
    if ((n.once ?? 0) > 0 && version < n.once!) { // the service lost history and holds an ancestor, or nothing
      n.draft = next; n.version = version;
      if (current?.record) n.record = current.record; else delete n.record;
      return;
    }
    if (version === 0) { n.sent = own; n.sentVersion = 0; return; } // not to be seen: a person decides
    Object.assign(n, { version, record: current!.record, voided: current!.void !== undefined });
    if (current!.void !== undefined) {
      n.contested = [...(n.contested ?? []), { field: "void", ...(own.record && { ours: own.record }), stands: current!.void }];
      n.sent = own; n.sentVersion = 0;
      return;
    }
    if (!own.void && current!.device_id !== this.o.id) {
      const { merged, contested } = merge(own.from ?? {}, own.record!, current!.record!);
      next.record = merged; n.contested = contested;
      if (contested.length > 0) delete next.resolves;
    }
    n.draft = next;
  }

  // ---- pull

  async pull() {
    const now = this.o.now().getTime();
    for (const n of this.all((n) => n.contactUntil !== undefined && now > Date.parse(n.contactUntil))) { delete n.resident; await this.save([n]); }
    await this.forget(this.all((n) => n.droppedAt !== undefined && now - Date.parse(n.droppedAt) > day && now - Date.parse(n.answeredAt ?? n.droppedAt) > 30 * day && !owes(n)));
    for (let more = true; more; ) {
      const query = new URLSearchParams({ after: this.mark.cursor ?? "0", limit: "500", ...(this.mark.receipt && { receipt: this.mark.receipt }) });
      let page: { epoch: string; items: unknown[]; next_after: string; more: boolean };
      try {
        page = await this.link.get(`/v1/changes?${query}`);
      } catch (error) {
        if (error instanceof Problem && error.code === "epoch_changed") { await this.beginAgain(error); continue; }
        if (error instanceof Problem && error.code === "cursor_invalid" && this.mark.cursor) { delete this.mark.cursor; continue; }
        throw error;
      }
      const changed: Note[] = [];
      for (const e of page.items as Entry[]) {
        if (e.op === "put" && e.kind && e.id) changed.push(this.takeEntry(e));
        if (e.op === "drop" && e.job_id) await this.drop(e.job_id, e.home_id);
      }
      Object.assign(this.mark, { epoch: page.epoch, cursor: page.next_after });
      await this.save(changed);
      more = page.more;
    }
    await this.forgetStale();
  }

  private takeEntry(e: Entry): Note {
    const n = this.note(e.kind!, e.id!);
    this.told(e.position);
    if (e.version! >= (n.stale ? 0 : n.version)) Object.assign(n, { version: e.version!, record: e.record, voided: e.void !== undefined });
    if (e.job_id ?? (e.kind === "job" ? e.id : undefined)) n.jobId = e.job_id ?? e.id!;
    delete n.stale; delete n.droppedAt;
    if (e.kind === "home") { // without a contact it was erased
      delete n.resident; delete n.contactUntil;
      if (e.resident !== undefined) n.resident = e.resident;
      if (e.contact_until_at) n.contactUntil = e.contact_until_at;
    }
    return n;
  }

  /** The job is no longer ours: send what is left of it, then delete it and the contact. */
  private async drop(job: string, home: string | undefined) {
    const of = this.all((n) => n.jobId === job);
    if (home && !this.all((n) => n.kind === "job" && n.id !== job && !n.droppedAt && newest(n)?.["home_id"] === home).length) {
      const h = this.notes.get(keyOf({ kind: "home", id: home }));
      if (h) { delete h.resident; delete h.contactUntil; of.push(h); await this.save([h]); }
    }
    if (of.some(owes)) await this.push();
    await this.forget(of.filter((n) => !n.sent && !owes(n)));
    const kept = of.filter((n) => n.sent || owes(n));
    for (const n of kept) { delete n.record; n.droppedAt = this.o.now().toISOString(); }
    await this.save(kept);
  }

  /** Compares the sums over each job's versions and fetches whole what differs: how many. */
  async check(): Promise<number> {
    let cured = 0;
    for (const job of (await this.link.get<Start>("/v1/sync")).jobs ?? []) {
      const known = this.all((n) => n.jobId === job.job_id && n.version > 0);
      if ((await checksum(known)) === job.checksum) continue;
      await this.forget(known.filter((n) => !owes(n) && !n.sent));
      const whole = await this.link.get<{ items: Entry[] }>(`/v1/jobs/${job.job_id}/entries`);
      for (const n of known) n.version = 0;
      await this.save(whole.items.map((e) => this.takeEntry(e)));
      cured++;
    }
    return cured;
  }

  // ---- the service lost history

  /** Marks what was sent and is still kept as unsent, as it was sent; most of it will be "replayed". */
  private async beginAgain(p: Problem) {
    const shared = Number(p.body["shared_up_to_position"] ?? 0);
    const after = this.mark.told > shared ? undefined : (p.body["after"] as string | undefined);
    const known = this.all((n) => n.version > 0 || n.sent !== undefined);
    for (const n of known) {
      if (n.sent && !(n.sentPosition! > 0 && n.sentPosition! <= shared)) {
        n.once = Math.max(n.sentVersion ?? 0, n.version); n.sentPosition = 0;
        n.sending ??= n.sent;
      }
      if (after === undefined) n.stale = true;
    }
    this.mark = { epoch: String(p.body["epoch"]), told: 0, ...(after !== undefined && { cursor: after }) };
    await this.save(known);
  }

  /** What others made and the service no longer has goes; what we wrote is sent again. */
  private async forgetStale() {
    const stale = this.all((n) => n.stale === true);
    for (const n of stale) { delete n.stale; n.version = 0; delete n.record; delete n.resident; delete n.contactUntil; }
    await this.forget(stale.filter((n) => !owes(n) && !n.sent));
    const lost = this.all((n) => !n.droppedAt && n.jobId !== undefined && (this.notes.get(keyOf({ kind: "job", id: n.jobId }))?.droppedAt !== undefined || (stale.includes(n) && n.kind === "job")));
    for (const n of lost) n.droppedAt = this.o.now().toISOString();
    await this.save([...stale, ...lost].filter((n) => this.notes.has(keyOf(n))));
  }

  // ---- what is kept

  /** A lost phone keeps its unsent work and nothing else. */
  private async wipe() {
    const unsent = this.all(owes);
    for (const n of unsent) { delete n.record; delete n.resident; delete n.contactUntil; }
    await this.save(unsent);
    await this.forget(this.all((n) => !owes(n)));
  }

  private told(position: number | undefined) { this.mark.told = Math.max(this.mark.told, position ?? 0); }
  private save(changed: Note[]) { return this.o.store.save(changed, [], this.mark); }
  private async forget(gone: Note[]) {
    for (const n of gone) this.notes.delete(keyOf(n));
    if (gone.length > 0) await this.o.store.save([], gone.map(keyOf), this.mark);
  }
  private note(kind: string, id: string): Note {
    const key = keyOf({ kind, id });
    if (!this.notes.has(key)) this.notes.set(key, { kind, id, version: 0 });
    return this.notes.get(key)!;
  }
  private all(fits: (n: Note) => boolean): Note[] {
    const order = (n: Note) => `${n.jobId ?? ""} ${String(ranks.indexOf(n.kind) + 1).padStart(2, "0")} ${n.id}`;
    return [...this.notes.values()].filter(fits).sort((a, b) => (order(a) < order(b) ? -1 : 1));
  }
}

const owes = (n: Note) => n.draft !== undefined || n.sending !== undefined;
const newest = (n: Note) => n.draft?.record ?? n.sending?.record ?? n.record ?? n.sent?.record;
