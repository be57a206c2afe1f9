// The form of a plan: lines that come, go and move, and what the plan's own reader says of them as one types.
import { post } from "./review.js";

const form = document.getElementById("plan");
const items = document.getElementById("items");
const drills = new Map(JSON.parse(document.getElementById("drills").textContent).map((own) => [own.id, own]));
const WAIT_MS = 250;
let timer = 0, asked = 0;

const field = (box, key) => box.querySelector(`[data-key=${key}]`);
const rows = () => [...items.querySelectorAll(".item")];

function typed(box) {
  return Object.fromEntries([...box.querySelectorAll("[data-key]")].map((own) => [own.dataset.key, own.value]));
}

function whole() {
  return {
    ...typed(form.querySelector(".head")),
    days: [...form.querySelectorAll(".days input:checked")].map((own) => own.value),
    drill: rows().map(typed),
  };
}

// What the chosen drill has of itself: its directions, and its usual values as grey text.
function dress(item) {
  const own = drills.get(field(item, "id").value);
  const ways = field(item, "direction");
  const wanted = ways.value || ways.dataset.value || "";
  ways.replaceChildren(...["", ...(own?.directions ?? [])].map((way) => {
    const option = document.createElement("option");
    option.value = way;
    option.textContent = way === "" ? (own?.direction ? `usual (${own.direction})` : "–") : way;
    return option;
  }));
  ways.value = own?.directions.includes(wanted) ? wanted : "";
  ways.disabled = !own?.directions.length;
  for (const [key, value] of Object.entries(own?.usual ?? {})) field(item, key).placeholder = value;
  item.querySelector(".usual").textContent = own ? [own.purpose, own.load && `Load: ${own.load}`].filter(Boolean).join(" ") : "";
}

function number() {
  rows().forEach((item, place) => { item.querySelector(".place").textContent = `Drill ${place + 1}`; });
}

function show({ error, row, key, told, minutes, toml }) {
  const wrong = document.getElementById("wrong");
  wrong.textContent = error;
  wrong.hidden = !error;
  document.getElementById("told").textContent = told?.text ?? "";
  document.getElementById("save").disabled = Boolean(error);
  document.getElementById("toml").textContent = toml;
  for (const own of form.querySelectorAll("[aria-invalid]")) own.removeAttribute("aria-invalid");
  rows().forEach((item, place) => {
    item.classList.toggle("odd", Boolean(error) && place === row);
    item.querySelector(".minutes").textContent = minutes[place] ? `about ${minutes[place]} min` : "";
  });
  if (!error || !key) return;
  const box = row === null ? form.querySelector(".head") : rows()[row];
  box && field(box, key)?.setAttribute("aria-invalid", "true");
}

function changed() {
  number();
  clearTimeout(timer);
  timer = setTimeout(async () => {
    const mine = ++asked;
    const { ok, found } = await post(`/athletes/${form.dataset.athlete}/plan/check`, whole());
    if (mine !== asked) return;
    if (ok) show(found);
    else document.getElementById("answer").textContent = found.text;
  }, WAIT_MS);
}

items.addEventListener("click", (event) => {
  const move = event.target.closest("[data-move]")?.dataset.move, item = event.target.closest(".item");
  if (!move) return;
  if (move === "out") {
    (item.nextElementSibling ?? item.previousElementSibling ?? document.getElementById("add")).querySelector?.("select")?.focus();
    item.remove();
  } else if (move === "up") item.previousElementSibling?.before(item);
  else item.nextElementSibling?.after(item);
  if (move !== "out") event.target.focus();
  changed();
});

items.addEventListener("change", (event) => {
  if (event.target.dataset.key === "id") dress(event.target.closest(".item"));
});

document.getElementById("add").addEventListener("click", () => {
  items.append(document.getElementById("empty").content.cloneNode(true));
  const item = rows().at(-1);
  dress(item);
  field(item, "id").focus();
  changed();
});

form.addEventListener("input", changed);
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const why = document.getElementById("why").value;
  const { ok, found } = await post(`/athletes/${form.dataset.athlete}/plan`, { ...whole(), why });
  if (ok) location.assign(found.to);
  else document.getElementById("answer").textContent = found.text;
});

rows().forEach(dress);
changed();
