/** The choice of the state whose voltages and currents the hints show. */

/** One line of the list. */
export interface StateChoice {
  readonly label: string;
  readonly description?: string;
  /** What the setting becomes. */
  readonly state: string;
}

/** The names in the server's answer to `thumbrule/states`; none when the answer is of another shape. */
export function stateNames(answer: unknown): string[] {
  const states = typeof answer === "object" && answer !== null ? (answer as { states?: unknown }).states : undefined;
  return Array.isArray(states) ? states.filter((name) => typeof name === "string" && name !== "") : [];
}

/** The list to choose from: the server's own choice, then every state; the one in force says so. */
export function stateChoices(names: readonly string[], current: string): StateChoice[] {
  const mark = (state: string, label: string, description?: string): StateChoice => {
    const told = [description, state === current ? "shown now" : undefined].filter((text) => text !== undefined);
    return told.length === 0 ? { label, state } : { label, state, description: told.join(", ") };
  };
  return [mark("", "First state", "whichever the circuit has first"), ...names.map((name) => mark(name, name))];
}
