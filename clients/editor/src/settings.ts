/** The settings: what the editor holds under `thumbrule`, checked, and what of it goes to the server. */

/** Every setting, in the units of `package.json`. */
export interface Settings {
  readonly command: readonly string[];
  readonly files: readonly string[];
  /** What the server is told; see {@link serverOptions}. */
  readonly server: ServerOptions;
}

/** Members under `thumbrule` of `initializationOptions` and of `workspace/didChangeConfiguration`. */
export interface ServerOptions {
  /** Prove remedies while typing. */
  readonly remedies: boolean;
  /** Milliseconds of silence before a review. */
  readonly debounce: number;
  /** Address that a lesson's slug is put behind, or empty for no links. */
  readonly lessons: string;
  /** Name of the state that hints show, or empty for the first one. */
  readonly hintState: string;
  /** Show voltages and currents beside the text. */
  readonly hintValues: boolean;
  /** Path of a policy file, or empty for the nearest one. */
  readonly policy: string;
  /** Who is named in a waiver, or empty. */
  readonly owner: string;
}

export const DEFAULTS: Settings = {
  command: ["thumbrule", "language-server"],
  files: ["**/*.circuit.yaml", "**/*.circuit.json"],
  server: {
    remedies: true,
    debounce: 15,
    lessons: "",
    hintState: "",
    hintValues: true,
    policy: "",
    owner: "",
  },
};

/** The settings with one line for each that cannot be used; that one keeps its default. */
export interface Read {
  readonly settings: Settings;
  readonly problems: readonly string[];
}

/** Reads every setting through `get`, which knows the names below `thumbrule`. */
export function readSettings(get: (name: string) => unknown): Read {
  const problems: string[] = [];
  const take = <T>(name: string, fallback: T, needed: string, check: (value: unknown) => value is T): T => {
    const value = get(name);
    if (value === undefined || value === null) return fallback;
    if (check(value)) return value;
    problems.push(`thumbrule.${name} is ${JSON.stringify(value)}; needed is ${needed}.`);
    return fallback;
  };
  const { command, files, server } = DEFAULTS;
  const settings: Settings = {
    command: take("command", command, "a list of the program and its arguments, each a text", isCommand),
    files: take("files", files, "a list of globs", isTexts),
    server: {
      remedies: take("remedies", server.remedies, "true or false", isBoolean),
      debounce: take("debounce", server.debounce, "a whole number of milliseconds from 0 to 5000", isDebounce),
      lessons: take("lessons", server.lessons, "an address that starts with http:// or https://", isAddress),
      hintState: take("hintState", server.hintState, "the name of a state", isText),
      hintValues: take("hintValues", server.hintValues, "true or false", isBoolean),
      policy: take("policy", server.policy, "the path of a policy file", isText),
      owner: take("owner", server.owner, "a name", isText),
    },
  };
  return { settings, problems };
}

/** What goes to the server, with every member so that one set back to its default is told too. */
export function serverOptions(settings: Settings): { thumbrule: ServerOptions } {
  return { thumbrule: settings.server };
}

const isText = (value: unknown): value is string => typeof value === "string";
const isBoolean = (value: unknown): value is boolean => typeof value === "boolean";
const isTexts = (value: unknown): value is string[] => Array.isArray(value) && value.every(isText);
const isCommand = (value: unknown): value is string[] => isTexts(value) && (value[0] ?? "").trim() !== "";
const isDebounce = (value: unknown): value is number =>
  typeof value === "number" && Number.isInteger(value) && value >= 0 && value <= 5000;
const isAddress = (value: unknown): value is string => isText(value) && (value === "" || /^https?:\/\/\S+$/.test(value));
