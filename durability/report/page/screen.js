// Keys for the digits of a reading, for gloves: without this script the device's own keyboard serves.
for (const field of document.querySelectorAll("form.pad input[inputmode=decimal]")) {
  const pad = document.createElement("div");
  pad.className = "digits";
  for (const digit of ["7", "8", "9", "4", "5", "6", "1", "2", "3", ".", "0", "\u232b"]) {
    const key = document.createElement("button");
    key.type = "button";
    key.textContent = digit;
    if (digit === "\u232b") key.setAttribute("aria-label", "delete");
    key.addEventListener("click", () => {
      field.value = digit === "\u232b" ? field.value.slice(0, -1) : field.value + digit;
    });
    pad.append(key);
  }
  if (matchMedia("(pointer: coarse)").matches) field.inputMode = "none";
  field.closest("label").after(pad);
}

// Others enter too: the page is shown again as the record is now, unless someone is at work on it.
const { mark } = document.body.dataset;
const isInUse = () => document.activeElement !== document.body || String(getSelection())
  || document.querySelector("main details[open]")
  || [...document.querySelectorAll("main input:not([type=hidden])")].some((field) => (
    field.value !== field.defaultValue || field.checked !== field.defaultChecked));
const here = location.pathname + location.search;
if (mark) {
  const [page, top] = JSON.parse(sessionStorage.getItem("shown") || "[]");
  if (page === here) scrollTo(0, top);
  sessionStorage.removeItem("shown");
  const asking = setInterval(async () => {
    const now = document.hidden ? mark : await fetch("/mark").then(
      (answer) => (answer.ok ? answer.text() : mark), () => mark);
    if (now === mark) return;
    clearInterval(asking);
    document.getElementById("changed").hidden = false;
    if (isInUse()) return;
    sessionStorage.setItem("shown", JSON.stringify([here, scrollY]));
    location.replace(here);
  }, 500);
}
