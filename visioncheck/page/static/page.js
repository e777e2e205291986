// Progress alone: everything else works without script.
"use strict";

// a photo is sent as soon as it is taken, with a bar that shows how far it is
for (const form of document.querySelectorAll("form[data-upload]")) {
  const photo = form.querySelector("input[type=file]");
  const send = form.querySelector(".send");
  const box = document.getElementById("progress");
  const bar = document.getElementById("sent");
  const upload = () => {
    const request = new XMLHttpRequest();
    request.open("POST", form.action);
    request.upload.onprogress = (event) => {
      if (event.lengthComputable) bar.value = Math.round((100 * event.loaded) / event.total);
    };
    request.onload = () => {
      const job = request.responseURL.includes("/job/");
      if (job) location.assign(request.responseURL);
      else show(request.responseText);
    };
    request.onerror = () => {
      form.classList.remove("sending");
      box.hidden = true;
      send.hidden = false;
      send.textContent = "The connection broke off. Send it again";
    };
    form.classList.add("sending");
    box.hidden = false;
    send.hidden = true;
    request.send(new FormData(form));
  };
  const show = (html) => {
    const answer = new DOMParser().parseFromString(html, "text/html");
    document.querySelector("main").replaceWith(answer.querySelector("main"));
    document.querySelector("main h1").focus();
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    upload();
  });
  photo.addEventListener("change", () => {
    if (photo.files.length && form.reportValidity()) upload();
  });
}

// a waiting page asks how far it is, and goes on when the answer is there
for (const place of document.querySelectorAll("[data-job]")) {
  const words = document.getElementById("place");
  const ask = async () => {
    try {
      const answer = await fetch(`/job/${place.dataset.job}/state`);
      const state = await answer.json();
      if (state.done) {
        location.reload();
        return;
      }
      if (words && document.querySelector(".busy")) {
        words.textContent =
          state.ahead === null ? "It is this one’s turn; a few seconds." : state.ahead === 0 ? "Next in line." : `${state.ahead} before this one.`;
      }
    } catch {
      // the server may be starting again; ask once more
    }
    setTimeout(ask, 700);
  };
  setTimeout(ask, 700);
}
