// The token stands behind # in the link: the browser keeps it to itself until the button is pressed.
const answer = document.getElementById("answer");

document.getElementById("join").addEventListener("click", async () => {
  const reply = await fetch("/join", { method: "POST", body: location.hash.slice(1), credentials: "same-origin" });
  if (reply.ok) location.replace(reply.headers.get("Content-Location") ?? "/");
  else answer.textContent = await reply.text();
});
