import type { Content, Draft, Entry, Json, Note } from "./store.js";

/** Lays the fields that we changed over what stands. What both changed, and not
 * alike, stays as it stands and is shown. */
export function merge(from: Content, ours: Content, stands: Content) {
  const merged = { ...stands };
  const contested: { field: string; ours?: Json; stands?: Json }[] = [];
  for (const field of [...new Set([...Object.keys(from), ...Object.keys(ours)])].sort()) {
    const [a, b, c] = [from[field], ours[field], stands[field]];
    if (same(a, b) || same(b, c)) continue;
    if (!same(a, c)) contested.push({ field, ...(b !== undefined && { ours: b }), ...(c !== undefined && { stands: c }) });
    else if (b === undefined) delete merged[field];
    else merged[field] = b;
  }
  return { merged, contested };
}

const sorted = (v: Json | undefined): unknown =>
  Array.isArray(v) ? v.map(sorted) : v && typeof v === "object" ? Object.entries(v).sort(([a], [b]) => (a < b ? -1 : 1)).map(([k, x]) => [k, sorted(x)]) : v;
const same = (a: Json | undefined, b: Json | undefined) => JSON.stringify(sorted(a)) === JSON.stringify(sorted(b));

/** Makes the next content of a record that somebody changed meanwhile. */
export function settleConflict(n: Note, current: Entry | undefined, device: string) {
  const own: Draft = n.draft ? { ...n.draft, ...(n.sending!.from && { from: n.sending!.from }) } : n.sending!;
  const version = current?.version ?? 0;
  delete n.sending; delete n.draft;
  const next: Draft = { ...own, base: version, ...(current?.record && { from: current.record }), ...(n.heldId && { resolves: n.heldId }) };
  if ((n.once ?? 0) > 0 && version < n.once!) { // the service lost history and holds an ancestor, or nothing
    n.draft = next; n.version = version;
    if (current?.record) n.record = current.record; else delete n.record;
    return;
  }
  if (version === 0) { n.sent = own; n.sentVersion = 0; return; } // not to be seen: a person decides
  Object.assign(n, { version, record: current!.record, voided: current!.void !== undefined });
  if (current!.void !== undefined) { // somebody voided it: content would revive it, so a person decides
    n.contested = [...(n.contested ?? []), { field: "void", ...(own.record && { ours: own.record }), stands: current!.void }];
    n.sent = own; n.sentVersion = 0;
    return;
  }
  if (!own.void && current!.device_id !== device) {
    const { merged, contested } = merge(own.from ?? {}, own.record!, current!.record!);
    next.record = merged; n.contested = contested;
    if (contested.length > 0) delete next.resolves;
  }
  n.draft = next;
}
