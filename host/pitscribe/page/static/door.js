// What the pages share that need no session: a form that is sent as JSON, and what came of it.

/** Send `body()` to `url` when the form is sent; `done(told)` when it was taken. What it throws is shown as it is. */
export function wireDoor(form, url, body, done) {
  const said = document.getElementById("said");
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    said.textContent = "";
    const button = form.querySelector("button");
    button.disabled = true;
    try {
      const answer = await fetch(url, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body()) });
      const told = await answer.json();
      if (answer.ok) done(told); else said.textContent = sentence(told.error ?? "");
    } catch (error) {
      said.textContent = error instanceof TypeError ? "No contact with the host." : sentence(error.message);
    } finally { button.disabled = false; }
  });
}

const sentence = (words) => words && `${words[0].toUpperCase()}${words.slice(1)}.`;
