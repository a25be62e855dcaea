// A change, sent to the program; what it says comes back, or its sentence as an error.
export async function send(path, body = {}) {
  const answer = await fetch(path, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify(body),
  });
  const told = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Error(told.error ?? `${answer.status}`);
  return told;
}
