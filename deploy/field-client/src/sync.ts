// The loop that keeps a phone and the service in step. The one idea: no answer
// ever makes the device throw work away, and sending again is always harmless.
//
//   const phone = await Device.open({ url, token, id, store, album });
//   await phone.put("opening", id, record);   // offline
//   await phone.sync();                       // whenever there is a signal
//   await phone.pictures();                   // after it, over a link that may carry them

import type { components } from "./contract.js";
import { Link, type LinkOptions, Problem } from "./link.js";
import { beginAgain, forgetStale, pullAfresh } from "./epoch.js";
import { settleConflict } from "./merge.js";
import { type Album, sendPictures } from "./pictures.js";
import { type Content, type Draft, type Entry, type Note, Notes, type Store, checksum, newest, owes } from "./store.js";

type Answer = components["schemas"]["BatchAnswer"];
type ItemAnswer = Answer["items"][number];
type Start = components["schemas"]["SyncStart"];

export interface Options extends LinkOptions {
  id: string; // the device's own, as its token names it
  store: Store;
  album?: Album; // where the phone keeps its pictures
  client?: { name: string; version: string; schema: number };
  now?: () => Date;
}

const day = 24 * 3600 * 1000; // ms

export class Device {
  /** Findings of each job in numbers, as the newest push told. */
  readonly counts = new Map<string, Answer["jobs"][number]>();
  private owed = 0; // pictures that the service still waits for
  private readonly link: Link;

  private constructor(private readonly o: Options & Required<Pick<Options, "client" | "now">>, private readonly notes: Notes) {
    this.link = new Link(o, () => this.wipe());
  }

  static async open(o: Options): Promise<Device> {
    return new Device({ client: { name: "field-client", version: "0.1.0", schema: 1 }, now: () => new Date(), ...o }, await Notes.open(o.store));
  }

  /** Notes what the crew wrote; durable when the promise resolves. */
  put(kind: string, id: string, record: Content) { return this.write(kind, id, { record }, kind === "job" ? id : (record["job_id"] as string | undefined)); }
  /** Notes that a record no longer counts, and why. */
  void(kind: string, id: string, reason: string) { return this.write(kind, id, { void: reason }, undefined); }

  private async write(kind: string, id: string, content: { record?: Content; void?: string }, jobId: string | undefined) {
    const n = this.notes.note(kind, id);
    if (jobId) n.jobId = jobId;
    const { record, void: reason, ...before } = n.draft ?? { base: n.version, ...(n.record && { from: n.record }) } as Draft; // the newest content takes an unsent one's place
    n.draft = { ...before, ...content, writtenAt: this.o.now().toISOString() };
    delete n.problem;
    await this.notes.save([n]);
  }

  /** The newest content that the device has of a record. */
  record(kind: string, id: string): Content | undefined {
    const n = this.notes.get(kind, id);
    return n && !n.droppedAt ? newest(n) : undefined;
  }
  /** All records on the device that are in sight. */
  records() { return this.notes.all((n) => !n.droppedAt && newest(n) !== undefined); }
  /** How many records the service has not answered yet. */
  get pending() { return this.notes.all(owes).length; }
  /** What a person must look at: refused, or changed by two at once. */
  troubles() { return this.notes.all((n) => n.problem !== undefined || (n.contested ?? []).length > 0); }

  /** Delivers what the device has, takes in what is new, and delivers what that made unsent. */
  async sync() {
    await this.push();
    await this.pull();
    await this.push();
  }

  /** Sends the pictures that the service still waits for, the smallest first. It says what it has: nothing of uploads is kept here. */
  async pictures() {
    if (!this.o.album) return;
    const start = await this.link.get<Start>("/v1/sync");
    this.owed = start.pictures_owed_count ?? 0;
    await sendPictures(this.link, this.o.album, start.pictures_owed ?? [], async (photo, problem) => {
      this.owed--;
      if (!problem) return;
      const n = this.notes.note("photo", photo);
      n.problem = problem;
      await this.notes.save([n]);
    });
  }

  // ---- push

  async push() {
    for (let size = 500, failures = 0; ; ) {
      const batch = this.notes.next(size);
      if (batch.length === 0) return;
      await this.notes.save(batch); // what is on its way is known after a restart
      let failed: unknown;
      try {
        if (!this.answered(batch, await this.link.post<Answer>("/v1/batches", this.batch(batch)))) {
          await this.notes.save(batch);
          failures = 0;
          continue;
        }
        await this.notes.save(batch);
      } catch (error) {
        failed = error;
        if (error instanceof Problem && error.code === "epoch_changed") {
          await beginAgain(this.notes, error);
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

  private batch(notes: Note[]) {
    const left = this.notes.all(owes).filter((n) => !notes.includes(n) || n.draft);
    const oldest = left.map((n) => (n.draft ?? n.sending)!.writtenAt).sort()[0];
    return {
      ...(this.notes.mark.epoch && { epoch: this.notes.mark.epoch }), ...(this.notes.mark.receipt && { receipt: this.notes.mark.receipt }),
      sent_at: this.o.now().toISOString(), client: this.o.client,
      pending: { records_count: left.length, photos_count: this.owed, ...(oldest && { oldest_at: oldest }), job_ids: [...new Set(left.flatMap((n) => n.jobId ?? []))] },
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
    if (answer.epoch) this.notes.mark.epoch = answer.epoch;
    if (answer.receipt) this.notes.mark.receipt = answer.receipt;
    return again;
  }

  private settle(n: Note, item: ItemAnswer): boolean {
    const sent = n.sending!;
    this.notes.told(item.position);
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
        this.notes.told(item.current?.position);
        settleConflict(n, item.current as Entry | undefined, this.o.id);
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

  // ---- pull

  async pull() {
    const now = this.o.now().getTime();
    for (const n of this.notes.all((n) => n.contactUntil !== undefined && now > Date.parse(n.contactUntil))) { delete n.resident; await this.notes.save([n]); }
    await this.notes.forget(this.notes.all((n) => n.droppedAt !== undefined && now - Date.parse(n.droppedAt) > day && now - Date.parse(n.answeredAt ?? n.droppedAt) > 30 * day && !owes(n)));
    for (let more = true; more; ) {
      const query = new URLSearchParams({ after: this.notes.mark.cursor ?? "0", limit: "500", ...(this.notes.mark.receipt && { receipt: this.notes.mark.receipt }) });
      let page: { epoch: string; items: unknown[]; next_after: string; more: boolean };
      try {
        page = await this.link.get(`/v1/changes?${query}`);
      } catch (error) {
        if (error instanceof Problem && error.code === "epoch_changed") { await beginAgain(this.notes, error); continue; }
        if (error instanceof Problem && error.code === "cursor_invalid" && this.notes.mark.cursor) { await pullAfresh(this.notes); continue; }
        throw error;
      }
      const changed: Note[] = [];
      for (const e of page.items as Entry[]) {
        if (e.op === "put" && e.kind && e.id) changed.push(this.takeEntry(e));
        if (e.op === "drop" && e.job_id) await this.drop(e.job_id, e.home_id);
      }
      Object.assign(this.notes.mark, { epoch: page.epoch, cursor: page.next_after });
      await this.notes.save(changed.filter((n) => this.notes.get(n.kind, n.id) === n)); // a drop may have taken some away
      more = page.more;
    }
    await forgetStale(this.notes, this.o.now());
  }

  private takeEntry(e: Entry): Note {
    const n = this.notes.note(e.kind!, e.id!);
    this.notes.told(e.position);
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
    const of = this.notes.all((n) => n.jobId === job);
    if (home && !this.notes.all((n) => n.kind === "job" && n.id !== job && !n.droppedAt && newest(n)?.["home_id"] === home).length) {
      const h = this.notes.get("home", home);
      if (h) { delete h.resident; delete h.contactUntil; of.push(h); await this.notes.save([h]); }
    }
    if (of.some(owes)) await this.push();
    await this.notes.forget(of.filter((n) => !n.sent && !owes(n)));
    const kept = of.filter((n) => n.sent || owes(n));
    for (const n of kept) { delete n.record; n.droppedAt = this.o.now().toISOString(); }
    await this.notes.save(kept);
  }

  /** Compares the sums over each job's versions and fetches whole what differs: how many. */
  async check(): Promise<number> {
    let cured = 0;
    for (const job of (await this.link.get<Start>("/v1/sync")).jobs ?? []) {
      const known = this.notes.all((n) => n.jobId === job.job_id && n.version > 0);
      if ((await checksum(known)) === job.checksum) continue;
      await this.notes.forget(known.filter((n) => !owes(n) && !n.sent));
      const whole = await this.link.get<{ items: Entry[] }>(`/v1/jobs/${job.job_id}/entries`);
      for (const n of known) n.version = 0;
      await this.notes.save(whole.items.map((e) => this.takeEntry(e)));
      cured++;
    }
    return cured;
  }

  // ---- what is kept

  /** A lost phone keeps its unsent work and nothing else. */
  private async wipe() {
    const unsent = this.notes.all(owes);
    for (const n of unsent) { delete n.record; delete n.resident; delete n.contactUntil; }
    await this.notes.save(unsent);
    await this.notes.forget(this.notes.all((n) => !owes(n)));
  }
}
