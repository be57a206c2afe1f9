// Forms that change something, filters, printing. Text is only ever set as text.
const token = document.querySelector("meta[name=token]")?.content ?? "";

export async function post(path, typed) {
  try {
    const reply = await fetch(path, {
      method: "POST",
      headers: { "X-Token": token },
      body: JSON.stringify(typed),
      credentials: "same-origin",
    });
    const text = await reply.text();
    let found = {};
    try { found = JSON.parse(text); } catch { found = { text }; }
    return { ok: reply.ok, found };
  } catch {
    return { ok: false, found: { text: "The program does not answer: is it still running?" } };
  }
}

for (const form of document.querySelectorAll("form[data-post]")) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const answer = form.querySelector(".answer"), buttons = [...form.querySelectorAll("button")];
    const typed = Object.fromEntries(new FormData(form, event.submitter));
    buttons.forEach((button) => { button.disabled = true; });
    const { ok, found } = await post(form.dataset.post, typed);
    buttons.forEach((button) => { button.disabled = false; });
    if (!ok) answer.textContent = found.text ?? "It was not kept.";
    else if (form.dataset.show) answer.textContent = found[form.dataset.show];
    else if (found.to) location.assign(found.to);
    else location.reload();
  });
}

for (const button of document.querySelectorAll("[data-print]")) button.addEventListener("click", () => print());

const find = document.getElementById("find");
find?.addEventListener("input", () => {
  const wanted = find.value.trim().toLowerCase();
  for (const row of document.querySelectorAll("tr[data-name]")) {
    row.hidden = !row.dataset.name.toLowerCase().includes(wanted);
  }
});

for (const select of document.querySelectorAll("[data-pick]")) {
  select.addEventListener("change", () => {
    const query = new URLSearchParams(location.search);
    query.set(select.dataset.pick, select.value);
    location.search = query.toString();
  });
}
