// A picture that is too large is told of before it is sent. The server says the same.
"use strict";

const input = document.getElementById("file");
const most = Number(input.dataset.mostBytes);
input.addEventListener("change", () => {
  const file = input.files[0];
  const tooLarge = file && file.size > most;
  input.setCustomValidity(tooLarge ? `The file is larger than ${most / 1e6} MB.` : "");
  if (tooLarge) input.reportValidity();
});
