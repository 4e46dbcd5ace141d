import type { Content, Json } from "./store.js";

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
