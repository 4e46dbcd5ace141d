// The client by openapi-typescript, with openapi-fetch of the same project.

import createClient from "openapi-fetch";
import type { components, paths } from "./made/openapi-typescript.js";

export type BatchItem = components["schemas"]["BatchItem"];
export type Entry = components["schemas"]["Entry"];

const client = createClient<paths>({
  baseUrl: process.env["DUCTLEDGER_URL"]!, headers: { Authorization: "Bearer " + process.env["DUCTLEDGER_FIELD_TOKEN"] },
});

const answer = <T>({ data, error }: { data?: T; error?: { code: string; detail?: string } }): T => {
  if (data === undefined) throw new Error(`${error?.code}: ${error?.detail}`);
  return data;
};

export const start = async () => answer(await client.GET("/v1/sync"));
export const instruments = async () => answer(await client.GET("/v1/instruments", { params: { query: { limit: 500 } } }));
export const push = async (items: BatchItem[]) => answer(await client.POST("/v1/batches", { params: { query: { findings: true } }, body: { items } }));
export const entries = async (id: string) => answer(await client.GET("/v1/jobs/{id}/entries", { params: { path: { id } } }));
export const changes = async (after: string) => answer(await client.GET("/v1/changes", { params: { query: { after, limit: 500 } } }));
