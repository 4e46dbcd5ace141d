// The real service: a demo of its own on a free port, ended with the tests.

import { type ChildProcess, execFileSync, spawn } from "node:child_process";
import { existsSync, mkdtempSync, readFileSync } from "node:fs";
import { createServer } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import type { Content } from "../src/store.js";

const top = fileURLToPath(new URL("../../../../", import.meta.url));

export class Service {
  private constructor(readonly env: Record<string, string>, private readonly program: string, private readonly child: ChildProcess) {}

  static async start(): Promise<Service> {
    const folder = mkdtempSync(join(tmpdir(), "field-client-"));
    const program = join(folder, "ductledger");
    execFileSync("go", ["build", "-o", program, "./cmd/ductledger"], { cwd: top, stdio: "inherit" });
    const port = await new Promise<number>((done) => {
      const s = createServer().listen(0, "127.0.0.1", () => { const at = s.address() as { port: number }; s.close(() => done(at.port)); });
    });
    const file = join(folder, "env");
    const child = spawn(program, ["demo", "--jobs", "24", "--months", "2", "--listen", `127.0.0.1:${port}`, "--env-file", file], { stdio: ["ignore", "ignore", "inherit"] });
    for (let i = 0; !existsSync(file); i++) {
      if (child.exitCode !== null || i > 1800) throw new Error(`the demo did not start: exit ${child.exitCode}`);
      await new Promise((done) => setTimeout(done, 100));
    }
    const env = Object.fromEntries(readFileSync(file, "utf8").split("\n").filter((l) => l.includes("=")).map((l) => {
      const [name, ...value] = l.replace(/^export /, "").split("=");
      return [name!, value.join("=").replace(/^['"]|['"]$/g, "")];
    }));
    return new Service(env, program, child);
  }

  stop() { this.child.kill("SIGTERM"); return new Promise((done) => this.child.once("exit", done)); }

  get url() { return this.env["DUCTLEDGER_URL"]!; }

  async call(role: string, method: string, path: string, body?: unknown): Promise<Content> {
    const answer = await fetch(this.url + path, {
      method, headers: { Authorization: "Bearer " + this.env[`DUCTLEDGER_${role}_TOKEN`], "Content-Type": "application/json" },
      ...(body !== undefined && { body: JSON.stringify(body) }),
    });
    const text = await answer.text();
    if (!answer.ok) throw new Error(`${method} ${path}: ${answer.status} ${text}`);
    return JSON.parse(text) as Content;
  }

  run(...args: string[]) {
    return execFileSync(this.program, args, { env: { ...process.env, DATABASE_URL: this.env["DATABASE_URL"] }, encoding: "utf8", stdio: ["ignore", "pipe", "pipe"] }).trim();
  }

  /** A new phone of the demo's field contractor: a record, and its token. */
  async phone(contractor: string, name: string): Promise<{ id: string; token: string }> {
    const id = this.run("id");
    await this.call("STAFF", "PUT", `/v1/devices/${id}`, { name, contractor_id: contractor, state: "active" });
    const program = (JSON.parse(this.run("program", "list", "--json")) as { items: { code: string }[] }).items[0]!.code;
    return { id, token: this.run("token", "create", "--program", program, "--role", "field", "--contractor", contractor, "--device", id) };
  }
}
