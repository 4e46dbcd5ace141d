// What a device keeps. A store is durable when its promise resolves: on a phone
// IndexedDB or SQLite, in the tests memory.

export type Json = null | boolean | number | string | Json[] | { [name: string]: Json };
export type Content = { [name: string]: Json };

/** One content on its way to the service. */
export interface Draft {
  base: number; // the version that it was made on
  from?: Content; // that version's content, for merging
  record?: Content;
  void?: string; // the reason, in place of a record
  resolves?: string; // the held item that it settles
  writtenAt: string;
}

/** One record as the device knows it. A content moves from draft to sending to
 * sent; while one is unanswered, a newer one waits in draft. */
export interface Note {
  kind: string;
  id: string;
  jobId?: string;
  version: number; // the newest that the service told of; 0: none
  record?: Content;
  voided?: boolean;
  draft?: Draft;
  sending?: Draft;
  sent?: Draft; // kept for 30 days: a restored service may ask for it
  sentVersion?: number;
  sentPosition?: number;
  answeredAt?: string;
  once?: number; // the version that sent became before the service lost history
  heldId?: string;
  problem?: Content; // why it was refused: shown to the crew
  contested?: { field: string; ours?: Json; stands?: Json }[];
  resident?: Json;
  contactUntil?: string;
  droppedAt?: string; // the job left; what was sent is kept a while
  stale?: boolean; // not seen again since the service lost history
}

/** An entry of the feed as the device reads it; what it does not know it skips. */
export interface Entry {
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

/** Where the device stands with the service. */
export interface Mark {
  epoch?: string;
  cursor?: string;
  receipt?: string;
  told: number; // the highest position that any answer told of
}

export interface Store {
  load(): Promise<{ notes: Note[]; mark: Mark | undefined }>;
  /** Writes all of it or nothing. */
  save(changed: Note[], forgotten: string[], mark: Mark): Promise<void>;
}

export const keyOf = (n: { kind: string; id: string }) => n.kind + "/" + n.id;
export const owes = (n: Note) => n.draft !== undefined || n.sending !== undefined;
export const newest = (n: Note) => n.draft?.record ?? n.sending?.record ?? n.record ?? n.sent?.record;

// Jobs together, parents before children, so that little has to wait.
const ranks = ["contractor", "crew_member", "credential", "instrument", "device", "home", "job", "appointment", "call_back", "visit", "component",
  "crossover", "opening", "repair", "energy_isolation", "measurement", "photo", "review", "waiver", "inspection"];
const order = (n: Note) => `${n.jobId ?? ""} ${String(ranks.indexOf(n.kind) + 1).padStart(2, "0")} ${n.id}`;

/** The notes of a device, in memory and in its store. */
export class Notes {
  private readonly notes = new Map<string, Note>();
  mark: Mark = { told: 0 };
  private constructor(private readonly store: Store) {}

  static async open(store: Store): Promise<Notes> {
    const all = new Notes(store);
    const kept = await store.load();
    for (const n of kept.notes) all.notes.set(keyOf(n), n);
    if (kept.mark) all.mark = kept.mark;
    return all;
  }

  get(kind: string, id: string) { return this.notes.get(keyOf({ kind, id })); }
  /** The note of a record, made where there is none. */
  note(kind: string, id: string): Note {
    const n = this.get(kind, id) ?? { kind, id, version: 0 };
    this.notes.set(keyOf(n), n);
    return n;
  }
  all(fits: (n: Note) => boolean): Note[] { return [...this.notes.values()].filter(fits).sort((a, b) => (order(a) < order(b) ? -1 : 1)); }
  /** What is to be sent next: unanswered contents as they were sent, else the newest ones; some 64 KiB. */
  next(size: number): Note[] {
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
  told(position: number | undefined) { this.mark.told = Math.max(this.mark.told, position ?? 0); }
  save(changed: Note[]) { return this.store.save(changed, [], this.mark); }
  async forget(gone: Note[]) {
    for (const n of gone) this.notes.delete(keyOf(n));
    if (gone.length > 0) await this.store.save([], gone.map(keyOf), this.mark);
  }
}

/** A store that forgets with the process. */
export class MemoryStore implements Store {
  private notes = new Map<string, string>();
  private mark: Mark | undefined;
  async load() {
    return { notes: [...this.notes.values()].map((text) => JSON.parse(text) as Note), mark: this.mark };
  }
  async save(changed: Note[], forgotten: string[], mark: Mark) {
    for (const n of changed) this.notes.set(keyOf(n), JSON.stringify(n));
    for (const key of forgotten) this.notes.delete(key);
    this.mark = { ...mark };
  }
}

/** XOR of the first 8 bytes of SHA-256 over kind/id/version of each record. */
export async function checksum(notes: Note[]): Promise<string> {
  const sum = new Uint8Array(8);
  for (const n of notes) {
    const digest = new Uint8Array(await crypto.subtle.digest("SHA-256", new TextEncoder().encode(`${keyOf(n)}/${n.version}`)));
    for (let i = 0; i < 8; i++) sum[i]! ^= digest[i]!;
  }
  return [...sum].map((b) => b.toString(16).padStart(2, "0")).join("");
}
