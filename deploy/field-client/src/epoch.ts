// The service was set back to a backup: what the device still has heals it.

import type { Problem } from "./link.js";
import { type Notes, owes } from "./store.js";

/** Marks what was sent and is still kept as unsent, as it was sent; most of it will be "replayed". */
export async function beginAgain(notes: Notes, p: Problem) {
  const shared = Number(p.body["shared_up_to_position"] ?? 0);
  const after = notes.mark.told > shared ? undefined : (p.body["after"] as string | undefined);
  const known = notes.all((n) => n.version > 0 || n.sent !== undefined);
  for (const n of known) {
    if (n.sent && !(n.sentPosition! > 0 && n.sentPosition! <= shared)) {
      n.once = Math.max(n.sentVersion ?? 0, n.version); n.sentPosition = 0;
      n.sending ??= n.sent;
    }
    if (after === undefined) n.stale = true;
  }
  notes.mark = { epoch: String(p.body["epoch"]), told: 0, ...(after !== undefined && { cursor: after }) };
  await notes.save(known);
}

/** The service does not know our cursor: the feed is read from its beginning. */
export async function pullAfresh(notes: Notes) {
  const known = notes.all((n) => n.version > 0);
  for (const n of known) n.stale = true;
  delete notes.mark.cursor;
  await notes.save(known);
}

/** After a pull from the beginning: what others made and the service no longer
 * has goes; what we wrote is sent again, out of sight where its job is. */
export async function forgetStale(notes: Notes, now: Date) {
  const stale = notes.all((n) => n.stale === true);
  for (const n of stale) { delete n.stale; n.version = 0; delete n.record; delete n.resident; delete n.contactUntil; }
  const gone = stale.filter((n) => !owes(n) && !n.sent);
  await notes.forget(gone);
  const lost = notes.all((n) => !n.droppedAt && n.jobId !== undefined && (notes.get("job", n.jobId)?.droppedAt !== undefined || (stale.includes(n) && n.kind === "job")));
  for (const n of lost) n.droppedAt = now.toISOString();
  await notes.save([...new Set([...stale, ...lost])].filter((n) => !gone.includes(n)));
}
