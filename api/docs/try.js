// Sends what stands in the form to this service and no other, and shows the answer.
const form = document.getElementById("try");
const field = (name) => form.elements.namedItem(name);
field("token").value = sessionStorage.getItem("token") ?? "";
form.hidden = false;
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const shown = document.getElementById("try-answer");
  const address = new URL(field("address").value, location.origin);
  if (address.origin !== location.origin) {
    shown.textContent = "Only this service is asked: begin the address with /v1.";
    return;
  }
  sessionStorage.setItem("token", field("token").value);
  const headers = {};
  if (field("token").value) headers.Authorization = "Bearer " + field("token").value;
  for (const line of field("header").value.split("\n")) {
    const colon = line.indexOf(":");
    if (colon > 0) headers[line.slice(0, colon).trim()] = line.slice(colon + 1).trim();
  }
  const method = form.dataset.method;
  const file = field("file")?.files?.[0];
  const body = method === "GET" || method === "HEAD" ? undefined : file ?? (field("body").value || undefined);
  if (typeof body === "string") headers["Content-Type"] = "application/json";
  shown.textContent = "…";
  try {
    const answer = await fetch(address, { method, headers, body, credentials: "omit" });
    const text = await answer.text();
    const told = ["etag", "location", "idempotent-replay", "upload-offset", "upload-complete", "retry-after"].filter((h) => answer.headers.has(h)).map((h) => `${h}: ${answer.headers.get(h)}\n`).join("");
    let readable = text;
    try { readable = JSON.stringify(JSON.parse(text), null, 2); } catch { /* no JSON: as it came */ }
    shown.textContent = `${answer.status}\n${told}\n${readable}`;
  } catch (error) {
    shown.textContent = "No answer: " + error.message;
  }
});
