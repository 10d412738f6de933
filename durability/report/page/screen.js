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
