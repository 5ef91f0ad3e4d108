// Shows the program's state as it is, until the page proper is there.
const show = async () => {
  const answer = await fetch('/api/state');
  document.getElementById('state').textContent = JSON.stringify(await answer.json(), null, 2);
};
const events = new EventSource('/api/events');
events.addEventListener('state', show);
events.addEventListener('run', show);
show();
