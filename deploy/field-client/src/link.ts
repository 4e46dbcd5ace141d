// One request over a link that may fail, and the pause before the next try.

import type { Content } from "./store.js";

export interface LinkOptions {
  url: string;
  token: string;
  fetch?: typeof fetch;
  wait?: (seconds: number) => Promise<void>;
  random?: () => number;
  tries?: number; // without success before the device waits for the next signal; 8
}

/** An answer that is no success (RFC 9457). */
export class Problem extends Error {
  constructor(readonly status: number, readonly body: Content, readonly retryAfter: number) {
    super(`${status} ${String(body["code"])}: ${String(body["detail"])}`);
  }
  get code() { return String(this.body["code"]); }
  /** The same request may succeed later. */
  get passing() { return this.status === 429 || this.status >= 500 || this.code === "in_progress"; }
}

export class Link {
  readonly tries: number;
  constructor(private readonly o: LinkOptions, private readonly revoked: () => Promise<void>) { this.tries = o.tries ?? 8; }

  /** Sends a request once. An error that is no Problem says that nothing is known about what became of it. */
  async send(method: string, path: string, body?: string | Uint8Array<ArrayBuffer>, header: Record<string, string> = {}): Promise<{ text: string; header: Headers }> {
    const response = await (this.o.fetch ?? fetch)(this.o.url + path, {
      method, headers: { Authorization: "Bearer " + this.o.token, ...(typeof body === "string" && { "Content-Type": "application/json" }), ...header },
      ...(body !== undefined && { body }),
    });
    const text = await response.text();
    if (response.ok) return { text, header: response.headers };
    let told: Content = { code: "no_problem", detail: "an answer that is no problem of the service" };
    try { told = JSON.parse(text) as Content; } catch { /* a proxy's page */ }
    if (told["code"] === "device_revoked") await this.revoked();
    throw new Problem(response.status, told, Number(told["retry_after_s"] ?? response.headers.get("Retry-After") ?? 0));
  }

  async post<T>(path: string, body: unknown): Promise<T> { return JSON.parse((await this.send("POST", path, JSON.stringify(body))).text) as T; }

  /** Reads an address, again while that may help. */
  async get<T>(path: string): Promise<T> {
    for (let failures = 1; ; failures++) {
      try {
        return JSON.parse((await this.send("GET", path)).text) as T;
      } catch (error) {
        if ((error instanceof Problem && !error.passing) || failures === this.tries) throw error;
        await this.pause(failures, error);
      }
    }
  }

  /** Waits for what the service asks and a drawn part of twice as long as before. */
  async pause(failures: number, error: unknown) {
    const seconds = (error instanceof Problem ? error.retryAfter : 0) + (this.o.random ?? Math.random)() * Math.min(2 ** failures, 120);
    await (this.o.wait ?? ((s: number) => new Promise<void>((done) => setTimeout(done, s * 1000))))(seconds);
  }
}
