"use strict";
// The start page: a photograph chosen, taken or dropped is sent at once; then the job opens.
(() => {
  const token = document.querySelector("meta[name=holecount-token]").content;
  const message = document.getElementById("message");
  const progress = document.getElementById("progress");
  const sent = document.getElementById("sent");
  let sending = false;

  function say(words) { message.textContent = words; }

  function send(file) {
    if (!file || sending) return;
    sending = true;
    say("");
    progress.hidden = false;
    sent.value = 0;
    const ask = new URLSearchParams({
      name: document.getElementById("name").value || file.name.replace(/\.[^.]*$/, ""),
      file: file.name,
      scale: document.getElementById("scale").value,
    });
    const request = new XMLHttpRequest(); // fetch cannot tell how much has been sent
    request.open("POST", "/api/jobs?" + ask);
    request.setRequestHeader("X-Holecount-Token", token);
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.upload.onprogress = (e) => { if (e.lengthComputable) sent.value = (100 * e.loaded) / e.total; };
    request.onload = () => {
      let answer = {};
      try { answer = JSON.parse(request.responseText); } catch { /* said below */ }
      if (request.status === 201 && answer.address) { location.assign(answer.address); return; }
      failed([answer.what || `The photograph was not taken (${request.status}).`, answer.hint || ""].join(" "));
    };
    request.onerror = () => failed("The program does not answer. Is it still running?");
    request.send(file);
  }

  function failed(words) {
    sending = false;
    progress.hidden = true;
    for (const id of ["take", "choose"]) document.getElementById(id).value = "";
    say(words);
  }

  for (const id of ["take", "choose"]) {
    document.getElementById(id).addEventListener("change", (e) => send(e.target.files[0]));
  }
  document.getElementById("new").addEventListener("submit", (e) => e.preventDefault());
  const drop = document.getElementById("drop");
  for (const kind of ["dragenter", "dragover"]) {
    document.addEventListener(kind, (e) => { e.preventDefault(); drop.classList.add("over"); });
  }
  document.addEventListener("dragleave", (e) => { if (!e.relatedTarget) drop.classList.remove("over"); });
  document.addEventListener("drop", (e) => {
    e.preventDefault();
    drop.classList.remove("over");
    send(e.dataTransfer.files[0]);
  });
})();
