// A visit is kept on the phone from the first letter on, and sent until it has been received.
// The key that each one carries lets the other side store it once, however often it comes.
"use strict";

const OUTBOX = "halfsecond.outbox";
const TRY_MS = 20000;
const LONG_SIDE = 1600;
const QUALITY = 0.8;

function stored(name, otherwise) {
  try {
    return JSON.parse(localStorage.getItem(name)) ?? otherwise;
  } catch {
    return otherwise;
  }
}

function keep(name, value) {
  try {
    localStorage.setItem(name, JSON.stringify(value));
    return true;
  } catch {
    return false;
  }
}

function say(text) {
  const place = document.getElementById("kept");
  if (!place) return;
  place.hidden = !text;
  place.textContent = text;
}

// Draft: every field as it stands, until the visit is in the outbox.
function fieldsOf(form) {
  return [...form.elements].filter((f) => f.name && f.type !== "file" && f.type !== "submit");
}

function saveDraft(form) {
  const draft = fieldsOf(form).map((f) => [f.name, f.value, f.type === "checkbox" ? f.checked : null]);
  keep(`halfsecond.draft.${form.dataset.unit}`, draft);
}

function restoreDraft(form) {
  for (const [name, value, checked] of stored(`halfsecond.draft.${form.dataset.unit}`, [])) {
    for (const field of fieldsOf(form).filter((f) => f.name === name)) {
      if (checked === null) field.value = value;
      else if (field.value === value) field.checked = checked;
    }
  }
}

async function smaller(file) {
  const picture = await createImageBitmap(file);
  const scale = Math.min(1, LONG_SIDE / Math.max(picture.width, picture.height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.round(picture.width * scale);
  canvas.height = Math.round(picture.height * scale);
  canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
  return canvas.toDataURL("image/jpeg", QUALITY);
}

function bytesOf(dataUrl) {
  return Uint8Array.from(atob(dataUrl.split(",")[1]), (c) => c.charCodeAt(0));
}

function pathOf(unit) {
  return `/units/${encodeURIComponent(unit).replaceAll("%2F", "/")}`;
}

// Sends what was typed as the form itself would; returns the words of a refusal, or null.
async function post(held) {
  const body = new FormData();
  for (const [name, value] of held.fields) body.append(name, value);
  if (held.photo) body.append("photo", new Blob([bytesOf(held.photo)], { type: "image/jpeg" }), "plate.jpg");
  const asked = { method: "POST", body, redirect: "manual", headers: { Accept: "application/json" } };
  const answer = await fetch(`${pathOf(held.unit)}/visits`, asked);
  if (answer.ok || answer.type === "opaqueredirect") return null;
  // What is too busy or away is tried again; what was refused is shown, and stays for mending.
  if (answer.status >= 500 || answer.status === 401) throw new Error("again");
  const problem = await answer.json().catch(() => ({ detail: answer.statusText }));
  return problem.detail;
}

let sending = false;

// Returns the units whose visits have been received.
async function send() {
  if (sending) return [];
  sending = true;
  const received = [];
  try {
    for (const held of stored(OUTBOX, [])) {
      const refused = await post(held);
      keep(OUTBOX, stored(OUTBOX, []).filter((h) => h.key !== held.key));
      if (refused) {
        say(`Not taken: ${refused}. Mend it and log it again.`);
        return received;
      }
      localStorage.removeItem(`halfsecond.draft.${held.unit}`);
      received.push(held.unit);
    }
  } catch {
    const count = stored(OUTBOX, []).length;
    say(`No signal: ${count === 1 ? "the visit is" : `${count} visits are`} kept on this phone and sent when it is back.`);
  } finally {
    sending = false;
  }
  return received;
}

async function log(event) {
  const form = event.target;
  event.preventDefault();
  if (!form.querySelector("[name=work]:checked")) {
    say("Tick what was done.");
    document.getElementById("kept").scrollIntoView({ block: "center" });
    return;
  }
  const file = form.elements.photo.files[0];
  const fields = [...new FormData(form)].filter(([, value]) => typeof value === "string");
  const photo = file ? await smaller(file).catch(() => null) : null;
  const held = { unit: form.dataset.unit, key: form.elements.key.value, fields, photo };
  const others = stored(OUTBOX, []).filter((h) => h.key !== held.key);
  if (!keep(OUTBOX, [...others, held]) && !keep(OUTBOX, [...others, { ...held, photo: null }])) {
    // No room on the phone: sent as a plain form, which needs the signal now.
    form.submit();
    return;
  }
  if ((await send()).includes(held.unit)) location.assign(`${pathOf(held.unit)}#visits`);
}

const form = document.querySelector("form.visit");
if (form) {
  restoreDraft(form);
  form.addEventListener("input", () => saveDraft(form));
  form.addEventListener("submit", (event) => log(event).catch(() => form.submit()));
}
if (stored(OUTBOX, []).length) send();
addEventListener("online", send);
setInterval(() => stored(OUTBOX, []).length && send(), TRY_MS);
