// Asks the program behind the start place.

/** POST, or GET without a body; throws what the program answered: {mistakes}. */
export async function call(path, body) {
  const request = body === undefined ? fetch(path) : fetch(path, { method: "POST", body: JSON.stringify(body) });
  const answer = await request.catch(() => null);
  if (!answer)
    throw {
      mistakes: [
        { field: "", what: "the program does not answer", cure: "start it again: biofeedback live; what is typed here stays" },
      ],
    };
  const told = answer.ok
    ? await answer.json()
    : { mistakes: [{ field: "", what: "the program refuses this page", cure: "reload it" }] };
  if (told.mistakes) throw told;
  return told;
}

const FOLLOW_MS = 150;

/** Go there as soon as it is there: the session's server takes the place of this one. */
export function follow(place) {
  fetch(place, { redirect: "manual" })
    .then((answer) => (answer.ok ? location.replace(place) : Promise.reject(new Error("not yet"))))
    .catch(() => setTimeout(follow, FOLLOW_MS, place));
}
