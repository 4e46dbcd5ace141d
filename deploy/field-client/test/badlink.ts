// A link as it is under a home at the end of a road: replies are lost after the
// service has acted, requests arrive twice, and old ones arrive again after
// newer ones. By chance, and with one seed always alike.

export function mulberry(seed: number) {
  return () => {
    seed = (seed + 0x6d2b79f5) | 0;
    let t = Math.imul(seed ^ (seed >>> 15), 1 | seed);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 2 ** 32;
  };
}

export function badLink(random: () => number) {
  const link = { lost: 0, doubled: 0, late: 0, fetch: undefined as unknown as typeof fetch };
  let old: (() => Promise<Response>) | undefined;
  link.fetch = (async (input: string, init?: RequestInit) => {
    const go = () => fetch(input, init);
    if (old && random() < 0.1) { link.late++; await (await old()).text(); }
    if (random() < 0.1) { link.doubled++; await (await go()).text(); }
    if (init?.method === "POST") old = go;
    if (random() < 0.05) throw new TypeError("no signal");
    const answer = await go();
    if (random() < 0.2) { link.lost++; await answer.text(); throw new TypeError("the reply was lost"); }
    return answer;
  }) as typeof fetch;
  return link;
}
