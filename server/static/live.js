// Keeps an open page true. The list of jobs is replaced; a job's page only says that there is something new,
// so that nothing moves under whoever is reading it. Without this script the pages are the same, only still.
"use strict";

const main = document.getElementById("main");
const told = document.getElementById("live");

async function fetched() {
  const answer = await fetch(location.href, { cache: "no-store" });
  if (!answer.ok) throw new Error(String(answer.status));
  return new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("main");
}

function replaceList(fresh) {
  const focused = document.activeElement;
  const href = main.contains(focused) ? focused.getAttribute("href") : null;
  document.getElementById("list").replaceWith(fresh.querySelector("#list"));
  if (href !== null) {
    const same = [...main.querySelectorAll("a")].find((link) => link.getAttribute("href") === href);
    if (same) same.focus();
  }
  main.dataset.version = fresh.dataset.version;
}

async function changed(event) {
  if (event.data === main.dataset.version) return;
  try {
    const fresh = await fetched();
    if (main.dataset.live === "jobs") {
      replaceList(fresh);
      told.textContent = "Live, last change " + new Date().toLocaleTimeString();
    } else if (fresh.dataset.cursor !== main.dataset.cursor) {
      document.getElementById("news").hidden = false;
    }
  } catch {
    told.textContent = "Not live: the server cannot be reached. The page shows what it had.";
  }
}

if (told) {
  const source = new EventSource("/live");
  source.addEventListener("changed", changed);
  source.addEventListener("open", () => { told.textContent = "Live"; });
  source.addEventListener("error", () => {
    told.textContent = "Not live: the server cannot be reached. The page shows what it had.";
  });
}
