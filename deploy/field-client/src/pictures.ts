// The bytes of photos, after their records: in parts, over a link that breaks.

import type { components } from "./contract.js";
import { type Link, Problem } from "./link.js";
import type { Content } from "./store.js";

type Upload = components["schemas"]["Upload"];

/** Gives a picture's bytes; undefined where another phone took it. */
export type Album = (photoId: string) => Promise<Uint8Array<ArrayBuffer> | undefined>;

const part = 1 << 20; // bytes, the most that the service takes at once

/** Sends each picture that the phone has, in the order in which the service asked. ended is told of each, with the problem of one that will not become right. */
export async function sendPictures(link: Link, album: Album, owed: Upload[], ended: (photo: string, problem?: Content) => Promise<void>) {
  for (const { photo_id: photo, received_count: received } of owed) {
    const bytes = await album(photo);
    if (!bytes) continue;
    try {
      await sendPicture(link, `/v1/photos/${photo}/bytes`, bytes, received);
      await ended(photo);
    } catch (error) {
      if (!(error instanceof Problem) || error.passing) throw error;
      await ended(photo, error.body);
    }
  }
}

/** Sends a picture from an offset on. After each break it asks how much has come; a break after which more has come is no failure. */
async function sendPicture(link: Link, path: string, bytes: Uint8Array<ArrayBuffer>, from: number) {
  for (let failures = 0; ; ) {
    const end = Math.min(from + part, bytes.length);
    try {
      const { text } = await link.send("PATCH", path, bytes.slice(from, end),
        { "Content-Type": "application/partial-upload", "Upload-Offset": String(from), "Upload-Complete": end === bytes.length ? "?1" : "?0" });
      const told = JSON.parse(text) as Upload;
      if (told.bytes_state === "stored" || told.bytes_state === "erased") return;
      [from, failures] = [told.received_count, 0];
    } catch (error) {
      if (++failures === link.tries) throw error;
      if (error instanceof Problem && error.code === "offset_mismatch") { from = Number(error.body["received_count"] ?? 0); continue; }
      if (error instanceof Problem && !error.passing) throw error;
      await link.pause(failures, error);
      try {
        const came = Number((await link.send("HEAD", path)).header.get("Upload-Offset"));
        if (came > from) failures = 0;
        from = came;
      } catch { /* the next part asks again */ }
    }
  }
}
