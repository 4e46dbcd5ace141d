// The client by @hey-api/openapi-ts.

import type { BatchItem } from "./made/hey-api/index.js";
import { createClient } from "./made/hey-api/client/index.js";
import { entriesOfJob, getChanges, getSync, listInstruments, postBatch } from "./made/hey-api/index.js";

export type { BatchItem, Entry } from "./made/hey-api/index.js";

const client = createClient({ baseUrl: process.env["DUCTLEDGER_URL"]!, auth: process.env["DUCTLEDGER_FIELD_TOKEN"]! });
const of = { client, throwOnError: true as const };

export const start = async () => (await getSync(of)).data;
export const instruments = async () => (await listInstruments({ ...of, query: { limit: 500 } })).data;
export const push = async (items: BatchItem[]) => (await postBatch({ ...of, query: { findings: true }, body: { items } })).data;
export const entries = async (id: string) => (await entriesOfJob({ ...of, path: { id } })).data;
export const changes = async (after: string) => (await getChanges({ ...of, query: { after, limit: 500 } })).data;
