// Progress alone: everything else works without script.
"use strict";

// a photo is sent as soon as it is taken, with a bar that shows how far it is
for (const form of document.querySelectorAll("form[data-upload]")) {
  const photo = form.querySelector("input[type=file]");
  const send = form.querySelector(".send");
  const box = document.getElementById("progress");
  const bar = document.getElementById("sent");
  const trouble = document.createElement("p");
  trouble.setAttribute("role", "alert");
  trouble.className = "large";
  // one button is enough: the photo goes by itself
  form.classList.add("scripted");

  const rest = () => {
    form.classList.remove("sending");
    box.hidden = true;
    send.hidden = false;
    form.classList.add("again");
  };
  const complain = (sentence) => {
    rest();
    trouble.textContent = sentence;
    form.prepend(trouble);
    trouble.scrollIntoView();
  };
  const answered = (request) => {
    if (request.responseURL.includes("/job/")) {
      location.assign(request.responseURL);
      return;
    }
    // what the answer's page says, said here: all that was filled in stays
    const page = new DOMParser().parseFromString(request.responseText, "text/html");
    const said = [...page.querySelectorAll("main .large")].map((line) => line.textContent.trim());
    complain(said.join(" ") || "That did not work. Load this page again.");
  };
  const upload = () => {
    const request = new XMLHttpRequest();
    request.open("POST", form.action);
    request.upload.onprogress = (event) => {
      if (event.lengthComputable) bar.value = Math.round((100 * event.loaded) / event.total);
    };
    request.onload = () => answered(request);
    request.onerror = () => complain("The connection broke off. Send it again.");
    trouble.remove();
    form.classList.add("sending");
    box.hidden = false;
    send.hidden = true;
    request.send(new FormData(form));
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    upload();
  });
  photo.addEventListener("change", () => {
    if (!photo.files.length) return;
    form.classList.add("again");
    if (form.reportValidity()) upload();
  });
  // back from the answer: the form stands as it was left
  addEventListener("pageshow", (event) => event.persisted && rest());
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
      words.textContent = state.place;
    } catch {
      // the server may be starting again; ask once more
    }
    setTimeout(ask, 700);
  };
  setTimeout(ask, 700);
}
