// Inside another page of ours verdict and list are told there: known before anything is painted.
if (new URLSearchParams(location.search).has("inside")) document.documentElement.classList.add("inside");
