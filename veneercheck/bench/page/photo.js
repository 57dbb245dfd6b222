// A photograph of a printed report: its code opens the check on record.
const field = document.getElementById("photo"), told = document.getElementById("photo-told");

async function read(file) {
  told.textContent = "";
  try {
    const answer = await fetch(`/api/code?lang=${document.documentElement.lang}`, { method: "PUT", body: file });
    const found = await answer.json();
    if (answer.ok) location.href = found.location;
    else told.textContent = [found.what, found.next_step].filter(Boolean).join(" ");
  } catch {
    told.textContent = field.dataset.unreachable;
  }
}

field.addEventListener("change", () => {
  const [file] = field.files;
  if (file) read(file).finally(() => { field.value = ""; });
});
