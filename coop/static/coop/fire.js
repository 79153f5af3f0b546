// The fire page without signal. What is written down is kept on this phone first, under an id and a number made here,
// and sent, each entry once and in order, when the service itself answers. Without this script the forms are sent as usual.

const page = document.getElementById("phone");
const state = document.getElementById("phone-state");
const undoKey = document.getElementById("phone-undo");
const words = JSON.parse(document.getElementById("phone-words").textContent);
const told = page.dataset;
const UNDO_MS = 10_000, AT_ONCE = 100, EVERY_MS = 20_000, PATIENCE_MS = 8_000, MOST_COPIES = 4;
const FRESH_MS = 2 * 3600_000; // a probe read longer ago says nothing of the spread now

const say = (word, parts = {}) => Object.entries(parts).reduce((text, [key, part]) => text.replace(`{${key}}`, part), words[word]);
const waitingWord = (one, many, n) => (n === 1 ? words[one] : say(many, { n }));

// --- Kept on the phone --------------------------------------------------------------------

const base = new Promise((done, fail) => {
  const asked = indexedDB.open("fire", 1);
  asked.onupgradeneeded = () => {
    asked.result.createObjectStore("entries", { keyPath: "id" });
    asked.result.createObjectStore("phone");
  };
  asked.onsuccess = () => {
    asked.result.onversionchange = () => asked.result.close();
    done(asked.result);
  };
  asked.onerror = () => fail(asked.error);
});

// Resolves with what `work` returned only when the transaction is complete: then it is on the phone.
async function inside(mode, work) {
  const db = await base;
  return new Promise((done, fail) => {
    const change = db.transaction(["entries", "phone"], mode, { durability: "strict" });
    const answer = work(change.objectStore("entries"), change.objectStore("phone"));
    change.oncomplete = () => done(answer instanceof IDBRequest ? answer.result : answer);
    change.onerror = change.onabort = () => fail(change.error);
  });
}

const everything = async () => (await inside("readonly", (entries) => entries.getAll())).sort((a, b) => a.seq - b.seq);

function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 15) | 64;
  bytes[8] = (bytes[8] & 63) | 128;
  const hex = Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}

// The number is taken and the entry laid down in one transaction, so two tabs never give one number twice.
const keep = (entry) =>
  inside("readwrite", (entries, phone) => {
    const asked = phone.get("self");
    asked.onsuccess = () => {
      const self = asked.result || { device: newId(), seq: 0 };
      self.seq += 1;
      phone.put(self, "self");
      entry.seq = self.seq;
      entry.body.device_id = self.device;
      entry.body.device_seq = self.seq;
      entries.put(entry);
    };
  });

// --- Times --------------------------------------------------------------------------------

const clockParts = new Intl.DateTimeFormat("en-US", {
  timeZone: told.zone, hourCycle: "h23", year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "numeric", second: "numeric",
});

// How far the co-op's clock is ahead of UTC at an instant, in milliseconds.
function ahead(at) {
  const { year, month, day, hour, minute, second } = Object.fromEntries(clockParts.formatToParts(at).map((part) => [part.type, +part.value]));
  return Date.UTC(year, month - 1, day, hour, minute, second) - Math.floor(at / 1000) * 1000;
}

// The instants at which the co-op's clock shows this: none, one, or in the night the clocks go back two.
function instants(text) {
  const wall = Date.parse(`${text}Z`);
  const found = [wall - 86_400_000, wall + 86_400_000].map((near) => wall - ahead(near)).filter((at) => at + ahead(at) === wall);
  return [...new Set(found)].sort((a, b) => a - b);
}

const clock = (at) => {
  const shown = new Date(at).toLocaleTimeString(document.documentElement.lang, { timeZone: told.zone, hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  const twice = ahead(at - 3_600_000) !== ahead(at + 3_600_000);
  if (!twice) return shown;
  const named = new Intl.DateTimeFormat("en-GB", { timeZone: told.zone, timeZoneName: "short" }).formatToParts(at);
  return `${shown} ${named.find((part) => part.type === "timeZoneName").value}`;
};

function duration(ms) {
  const total = Math.max(0, Math.round(ms / 60_000)), hours = Math.floor(total / 60), rest = total % 60;
  if (hours >= 48) return `${say("days", { n: Math.floor(hours / 24) })}${hours % 24 ? ` ${hours % 24}\u00a0h` : ""}`;
  return [hours && `${hours}\u00a0h`, (rest || !hours) && `${rest}\u00a0min`].filter(Boolean).join(" ");
}

// --- Temperatures -------------------------------------------------------------------------

const fahrenheit = told.unit === "f";
const figure = (value) => new Intl.NumberFormat(document.documentElement.lang).format(Math.round(value));
const unit = fahrenheit ? "°F" : "°C";
const shownDc = (dc) => `${figure(fahrenheit ? (dc * 9) / 50 + 32 : dc / 10)}\u00a0${unit}`;
const shownStep = (dc) => {
  const step = Math.round(fahrenheit ? (dc * 9) / 50 : dc / 10);
  return `${step > 0 ? "+" : step < 0 ? "−" : "±"}${figure(Math.abs(step))}\u00a0${unit}`;
};

function typedDc(text) {
  const tidy = text.replace(",", ".").replace(/[°\sCcFf]/g, "");
  const value = tidy === "" ? NaN : Number(tidy);
  if (!Number.isFinite(value)) return null;
  return Math.round(fahrenheit ? ((value - 32) * 50) / 9 : value * 10);
}

// --- What was pressed, as an entry --------------------------------------------------------

const LEFT_OUT = new Set(["csrfmiddlewaretoken", "once", "next", "seen_at", "second", "pressed", "public_id", "device_id", "device_seq", "device_at"]);

const isEntry = (form) => form.method === "post" && form.elements.kind && form.querySelector('input[name="kind"]');

class Incomplete extends Error {
  constructor(word, field) {
    super(words[word]);
    this.field = field;
  }
}

function entryOf(form, key) {
  const now = Date.now(), filled = new FormData(form), body = { kind: filled.get("kind") };
  if (key && key.name) filled.set(key.name, key.value);
  for (const [name, value] of filled) if (!LEFT_OUT.has(name) && typeof value === "string" && value.trim()) body[name] = value.trim();
  const pressed = filled.get("pressed");
  if (body.kind === "reading" || body.temperature_dc) {
    body.temperature_dc = pressed ? +pressed : typedDc(filled.get("temperature_dc") || "");
    if (body.temperature_dc === null) throw new Incomplete("number", form.elements.temperature_dc);
  }
  for (const field of form.elements) {
    const passed = field.type === "hidden" || field.type === "submit" || (pressed && field.name === "temperature_dc");
    if (!passed && !field.checkValidity()) throw new Incomplete("incomplete", field);
  }
  let at = now;
  const seen = filled.get("seen_at");
  if (seen) {
    const found = instants(seen);
    if (!found.length) throw new Incomplete("no_such_time", form.elements.seen_at);
    at = found[filled.get("second") ? found.length - 1 : 0];
  }
  body.observed_at = new Date(at).toISOString();
  body.device_at = new Date(now).toISOString();
  body.device_offset_min = -new Date(now).getTimezoneOffset();
  const id = newId();
  return { id, body: { id, ...body }, at, made: now, said: saidOf(form, key, body), batch: told.batch, member: told.member, state: "waiting", why: "" };
}

function saidOf(form, key, body) {
  if (body.kind === "reading") return `${body.probe} ${shownDc(body.temperature_dc)}`;
  const word = key && key.name ? key.textContent.trim() : "";
  const title = body.kind !== "round" && form.closest("section")?.querySelector("h2, h3")?.textContent.trim();
  const values = Array.from(form.elements, (field) => {
    if (field.type === "hidden" || LEFT_OUT.has(field.name) || !field.name || !body[field.name] || field.tagName === "BUTTON") return "";
    return field.tagName === "SELECT" ? field.selectedOptions[0].textContent.trim() : `${field.value.trim()}${field.name === "grams" ? " g" : ""}`;
  });
  return [title, ...values, word].filter(Boolean).join(" · ");
}

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (event.defaultPrevented || !isEntry(form) || unable) return;
  if (Array.from(form.elements).some((field) => field.type === "file" && field.files.length)) return;
  event.preventDefault();
  let entry;
  try {
    entry = entryOf(form, event.submitter);
  } catch (fault) {
    if (!(fault instanceof Incomplete)) throw fault;
    announce("warn", fault.message);
    fault.field?.focus();
    return;
  }
  announce("clock", words.saving);
  try {
    await keep(entry);
  } catch {
    announce("stop", words.not_saved);
    return;
  }
  offerUndo(entry);
  if (entry.body.kind !== "reading") for (const field of form.elements) if (field.name === "text" && field.type !== "hidden") field.value = "";
  if (form.elements.seen_at) form.elements.seen_at.value = "";
  navigator.storage?.persist?.();
  await show();
}, true);

// What is written less often has a page of its own; without signal the copy kept here has its forms too.
document.addEventListener("click", (event) => {
  if (!event.target.closest("[data-more]") || line === "through") return;
  event.preventDefault();
  window.location.assign(`${told.page}?kept#more`);
});

// --- Ten seconds to undo ------------------------------------------------------------------

let last = null; // the entry that may still be undone
let toRead = 0; // until when the last message stays
let ticking = 0;

function offerUndo(entry) {
  last = entry;
  toRead = entry.made + 4_000;
  announce("download", say("saved", { said: `${entry.said}, ${clock(entry.at)}` }));
  clearInterval(ticking);
  ticking = setInterval(tick, 250);
  tick();
}

function tick() {
  const left = last ? last.made + UNDO_MS - Date.now() : 0;
  if (undoKey) {
    undoKey.hidden = left <= 0;
    undoKey.querySelector("span").textContent = say("undo", { n: Math.ceil(left / 1000) });
  }
  if (left > 0) return;
  clearInterval(ticking);
  last = null;
  send();
}

undoKey?.addEventListener("click", async () => {
  const entry = last;
  if (!entry) return;
  last = null;
  tick();
  await inside("readwrite", (entries) => entries.delete(entry.id));
  toRead = Date.now() + 4_000;
  announce("undo", say("undone", { said: entry.said }));
  await show();
});

// --- Sending ------------------------------------------------------------------------------

let line = "unknown"; // unknown, through, none, signed-out, held
let held = "";
let through = false; // what the last look that came to an end found
let csrf = "";
let busy = null;
let sentSince = []; // taken by the service, not yet in the figures of this page
let notices = [];

const call = (address, options = {}) =>
  fetch(address, { credentials: "same-origin", cache: "no-store", redirect: "error", signal: AbortSignal.timeout(PATIENCE_MS), ...options });

// Whether the service itself answers: only its own words count, not a network that says it is there.
async function reach() {
  line = "none";
  const answer = await call(told.batch).catch(() => null);
  through = Boolean(answer && answer.ok);
  if (!answer || answer.status >= 500) return false;
  if (answer.status === 401) {
    line = "signed-out";
    return false;
  }
  const said = await answer.json().catch(() => null);
  if (!said) return false;
  if (!answer.ok) {
    [line, held] = ["held", said.detail || ""];
    return false;
  }
  csrf = said.csrf_token;
  told.member = said.member_id;
  const off = Math.round((Date.now() - Date.parse(said.at)) / 60_000);
  notices = notices.filter((notice) => notice.id !== "clock");
  if (Math.abs(off) >= 3) notices.push({ id: "clock", text: say("clock", { n: Math.abs(off) }) });
  line = "through";
  return true;
}

let wanted = false; // "send now" was pressed while sending

function send(urgent = false) {
  if (busy) {
    wanted ||= urgent;
    return busy;
  }
  busy = alone(() => sendAll(urgent)).finally(() => {
    const again = wanted;
    [busy, wanted] = [null, false];
    show();
    if (again) send(true);
  });
  return busy;
}

// One tab at a time sends; the service would write each entry once in any case.
const alone = (work) => (navigator.locks ? navigator.locks.request("fire-send", work) : work());

async function sendAll(urgent) {
  if (!(await reach())) return;
  await show();
  const due = (entry) => entry.state === "waiting" && entry.member === told.member && (urgent || entry.made + UNDO_MS <= Date.now());
  let taken = 0;
  for (const [address, entries] of byFire((await everything()).filter(due))) {
    for (let from = 0; from < entries.length; from += AT_ONCE) {
      const done = await sendSome(address, entries.slice(from, from + AT_ONCE));
      if (!done) break;
      taken += done;
    }
  }
  if (taken || Date.now() - freshAt > 60_000) await refresh();
  const young = pending.filter((entry) => !due(entry));
  if (young.length) setTimeout(send, Math.max(0, young[0].made + UNDO_MS - Date.now()) + 50);
}

function byFire(entries) {
  const groups = new Map();
  for (const entry of entries) groups.set(entry.batch, [...(groups.get(entry.batch) || []), entry]);
  return groups;
}

// Whoever leaves the page gives up undoing: what waits goes along with the leaving, and is asked about when they are back.
let pending = [];

function sendLeaving() {
  // Also while a sending is under way, since leaving cuts that off: the service takes each entry once.
  if (!through || !pending.length || pending.length > 50) return;
  call(told.batch, {
    method: "POST",
    keepalive: true,
    headers: { "Content-Type": "application/json", "X-CSRFToken": csrf },
    body: JSON.stringify({ entries: pending.map((entry) => entry.body) }),
    signal: null,
  }).catch(() => null);
}

async function sendSome(address, entries) {
  if (last && entries.some((entry) => entry.id === last.id)) {
    last = null;
    tick();
  }
  const answer = await call(address, {
    method: "POST",
    headers: { "Content-Type": "application/json", "X-CSRFToken": csrf },
    body: JSON.stringify({ entries: entries.map((entry) => entry.body) }),
    signal: AbortSignal.timeout(30_000),
  }).catch(() => null);
  const said = answer && (await answer.json().catch(() => null));
  if (!answer || !said || answer.status >= 500) {
    line = "none";
    through = false;
    return 0;
  }
  if (!answer.ok) {
    [line, held] = [answer.status === 401 ? "signed-out" : "held", said.detail || ""];
    return 0;
  }
  const kept = new Map(entries.map((entry) => [entry.id, entry]));
  await inside("readwrite", (store) => {
    for (const one of said.answers) {
      const entry = kept.get(one.id);
      if (entry && one.outcome === "refused") store.put({ ...entry, state: "refused", why: one.detail });
      else if (entry) store.delete(one.id);
    }
  });
  for (const one of said.answers) {
    if (one.outcome !== "refused" && kept.has(one.id)) sentSince.push(kept.get(one.id));
    for (const text of one.warnings) notices.push({ id: one.id, text: `${kept.get(one.id).said}: ${text}` });
  }
  return said.answers.length;
}

// --- What the page says -------------------------------------------------------------------

function drawing(name) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  const use = document.createElementNS("http://www.w3.org/2000/svg", "use");
  svg.setAttribute("class", "icon");
  svg.setAttribute("aria-hidden", "true");
  use.setAttribute("href", `${told.icons}#${name}`);
  svg.append(use);
  return svg;
}

const made = (tag, css, ...inner) => {
  const element = document.createElement(tag);
  if (css) element.className = css;
  element.append(...inner.filter(Boolean));
  return element;
};

let announced = "";
function announce(icon, text, link) {
  if (!state || announced === icon + text) return;
  announced = icon + text;
  state.replaceChildren(drawing(icon), made("span", "", text), ...(link ? [" ", link] : []));
}

function signInLink() {
  const link = made("a", "", words.sign_in_link);
  link.href = `${told.signIn}?next=${encodeURIComponent(told.page)}`;
  return link;
}

function announceState(waiting, refused) {
  if (Date.now() < toRead) return;
  const n = waiting.length;
  if (line === "signed-out") announce("lock", n ? waitingWord("one_to_sign_in", "sign_in", n) : words.signed_out, signInLink());
  else if (line === "held" && n) announce("stop", say("held", { why: held }));
  else if (refused.length) announce("stop", say("refused", { n: refused.length }));
  else if (n && busy && line === "through") announce("upload", say("sending", { n }));
  else if (n) announce("clock", say("waiting", { n }));
  else if (line === "none") announce("warn", words.no_signal);
  else if (line === "through") announce("ok", words.sent);
}

function row(entry) {
  const isRefused = entry.state === "refused";
  const pill = made("span", `pill ${isRefused ? "stop" : "note"}`, isRefused ? words.is_refused : words.is_waiting);
  const item = made("li", "", made("p", "", made("strong", "", entry.said), ` ${clock(entry.at)} `, pill));
  if (!isRefused) return item;
  const button = (word, act) => {
    const key = made("button", "btn key", words[word]);
    key.type = "button";
    key.append(made("span", "vh", `: ${entry.said}`));
    key.addEventListener("click", act);
    return key;
  };
  item.append(
    made("p", "", entry.why),
    made("div", "keys",
      button("again", async () => {
        await inside("readwrite", (entries) => entries.put({ ...entry, state: "waiting", why: "" }));
        await send(true);
      }),
      button("off", async () => {
        if (!window.confirm(words.really_off)) return;
        await inside("readwrite", (entries) => entries.delete(entry.id));
        await show();
      })),
  );
  return item;
}

async function show() {
  const all = await everything();
  const mine = all.filter((entry) => entry.member === told.member);
  const waiting = mine.filter((entry) => entry.state === "waiting"), refused = mine.filter((entry) => entry.state === "refused");
  pending = waiting.filter((entry) => entry.batch === told.batch);
  localStorage.setItem("fire-kept", String(all.length));
  const others = all.length - mine.length;
  const lines = notices.slice(-5).map((notice) => notice.text);
  if (others) lines.push(say("of_others", { n: others }));
  if (line !== "through" && Date.now() - Date.parse(told.asOf) > 120_000) lines.push(say("as_of", { at: clock(Date.parse(told.asOf)) }));
  document.getElementById("phone-notices").replaceChildren(...lines.map((text) => made("div", "notice warn", drawing("warn"), made("p", "", text))));
  document.getElementById("phone-refused").replaceChildren(...refused.map(row));
  document.getElementById("phone-list").replaceChildren(...waiting.map(row));
  const box = document.getElementById("phone-box");
  box.hidden = !waiting.length;
  box.querySelector("summary span").textContent = say("waiting_box", { n: waiting.length });
  document.getElementById("phone-send").hidden = !waiting.length;
  page.hidden = !(lines.length || mine.length);
  announceState(waiting, refused);
  overlay([...sentSince, ...mine.filter((entry) => entry.state === "waiting")].filter((entry) => entry.batch === told.batch));
}

// --- The figures with what is kept here ---------------------------------------------------

const within = (part) => [...document.querySelectorAll(part)];

function remember(element, name, value) {
  if (element.dataset[name] === undefined) element.dataset[name] = value;
  return element.dataset[name];
}

function overlay(entries) {
  const byTime = [...entries].sort((a, b) => a.at - b.at);
  const latest = (fits) => byTime.findLast(fits);
  for (const time of within("[data-since]")) {
    const kind = time.dataset.since, was = Date.parse(remember(time, "was", time.dateTime)) || 0;
    const mine = latest(({ body }) => body.kind === kind || (body.kind === "round" && body.phase === kind));
    const at = Math.max(was, mine ? mine.at : 0);
    time.dateTime = at ? new Date(at).toISOString() : "";
    time.closest("div").hidden = !at;
  }
  rounds();
  let spread = [];
  for (const part of within("[data-probe]")) {
    const dc = +remember(part, "wasDc", part.dataset.dc), at = Date.parse(remember(part, "wasAt", part.dataset.at));
    const rate = part.querySelector("[data-rate]"), when = part.querySelector("[data-when]");
    const wasRate = remember(rate, "was", rate.textContent), wasWhen = remember(when, "was", when.textContent);
    const series = [{ at, dc }, ...byTime.filter(({ body }) => body.kind === "reading" && body.probe === part.dataset.probe).map((entry) => ({ at: entry.at, dc: entry.body.temperature_dc }))].sort((a, b) => a.at - b.at);
    const [before, now] = [series.at(-2), series.at(-1)];
    part.querySelector(".big-figure").textContent = shownDc(now.dc);
    when.textContent = series.length > 1 && now.at !== at ? `${clock(now.at)}, ${words.here}` : wasWhen;
    const hours = before ? (now.at - before.at) / 3_600_000 : 0;
    rate.textContent = hours >= 1 / 12 ? say("rate", { rate: shownStep((now.dc - before.dc) / hours) }) : wasRate;
    if (Date.now() - now.at <= FRESH_MS) spread.push(now.dc);
    quickKeys(part.dataset.probe, now.dc);
  }
  const apart = document.getElementById("spread");
  if (apart && spread.length > 1) apart.textContent = shownStep(Math.max(...spread) - Math.min(...spread));
  run();
}

// The last value again, and the steps from it, on the keys of a probe.
function quickKeys(probe, dc) {
  for (const field of within('#reading input[type="hidden"][name="probe"]')) {
    if (field.value !== probe) continue;
    const typed = field.form.elements.temperature_dc;
    if (typed && document.activeElement !== typed && typed.value === typed.defaultValue) typed.value = typed.defaultValue = figurePlain(dc);
    for (const key of field.form.querySelectorAll("button[data-step]")) {
      key.value = dc + +key.dataset.step;
      key.querySelector("span").textContent = shownDc(+key.value);
    }
  }
}
const figurePlain = (dc) => String(Math.round(fahrenheit ? (dc * 9) / 50 + 32 : dc / 10));

function rounds() {
  const key = document.getElementById("round-key");
  if (!key) return;
  const at = (kind) => Date.parse(document.querySelector(`[data-since="${kind}"]`)?.dateTime) || 0;
  const runs = at("start") > at("stop");
  key.value = runs ? "stop" : "start";
  key.classList.toggle("main", runs);
  key.querySelector("span").textContent = runs ? key.dataset.stop : key.dataset.start;
  const boxes = { start: runs, stop: !runs };
  for (const [kind, shown] of Object.entries(boxes)) {
    const time = document.querySelector(`[data-since="${kind}"]`);
    if (time) time.closest("div").hidden = !shown || !time.dateTime;
  }
}

function run() {
  const now = Date.now();
  for (const time of within("[data-since]")) if (time.dateTime) time.textContent = duration(now - Date.parse(time.dateTime));
  for (const time of within("[data-until]")) time.textContent = duration(Date.parse(time.dateTime) - now);
}

// --- The page itself, newer ---------------------------------------------------------------

let freshAt = Date.now();

async function refresh() {
  const answer = await call(told.page).catch(() => null);
  if (!answer || !answer.ok) return;
  const newer = new DOMParser().parseFromString(await answer.text(), "text/html");
  if (!newer.getElementById("phone")) return;
  for (const part of within("[data-fresh]")) {
    const fresh = newer.getElementById(part.id);
    const typing = part.contains(document.activeElement) || [...part.querySelectorAll("input, textarea")].some((field) => field.type !== "hidden" && field.value !== field.defaultValue);
    if (fresh && !typing) part.replaceWith(document.adoptNode(fresh));
  }
  told.asOf = newer.getElementById("phone").dataset.asOf;
  [freshAt, sentSince] = [Date.now(), []];
  await show();
  copy();
}

// The copy that the worker opens without signal: first names only, and none of it after signing out.
async function copy() {
  if (!navigator.serviceWorker || !window.caches) return;
  await navigator.serviceWorker.ready;
  const answer = await call(`${told.page}kept/`).catch(() => null);
  const root = document.documentElement;
  if (!answer || !answer.ok || root.dataset.signedOut) return;
  const pages = await caches.open("fire-pages");
  await pages.delete(told.page);
  await pages.put(told.page, answer);
  for (const old of (await pages.keys()).slice(0, -MOST_COPIES)) await pages.delete(old);
  root.dataset.kept = "yes";
}

// --- Beginning ----------------------------------------------------------------------------

let unable = false; // a phone that keeps nothing sends its forms as usual

async function begin() {
  try {
    await show();
  } catch {
    unable = true;
    return;
  }
  document.getElementById("phone-send").addEventListener("click", () => {
    toRead = 0;
    send(true);
  });
  window.addEventListener("online", () => send());
  window.addEventListener("offline", () => send());
  document.addEventListener("visibilitychange", () => (document.visibilityState === "visible" ? send() : sendLeaving()));
  window.addEventListener("pagehide", sendLeaving);
  window.addEventListener("pageshow", (event) => event.persisted && send());
  setInterval(() => document.visibilityState === "visible" && send(), EVERY_MS);
  setInterval(() => {
    run();
    if (toRead && toRead < Date.now()) {
      toRead = 0;
      show();
    }
  }, 2_000);
  if (navigator.serviceWorker) {
    await navigator.serviceWorker.register(told.worker, { scope: told.scope }).catch(() => null);
    if (!told.kept) copy();
  }
  await send();
}

begin();
