/** Which finding the cursor is on, and the rule whose lesson belongs to it. */

export interface Place {
  readonly line: number;
  readonly character: number;
}

/** A diagnostic as far as the choice needs it; an editor's own type has these members. */
export interface Shown {
  readonly source?: string | undefined;
  readonly code?: string | number | { readonly value: string | number } | undefined;
  readonly severity: number;
  readonly range: { readonly start: Place; readonly end: Place };
}

export const SOURCE = "thumbrule";
/** Codes of findings about the text, its waivers and the review itself, which belong to no rule. */
const NO_RULES = ["document", "waiver", "review"];

/** The rules with a finding at `place`: the smallest range first, then the gravest, then by name. */
export function rulesAt(shown: readonly Shown[], place: Place): string[] {
  const here = ours(shown).filter(({ range }) => !before(place, range.start) && !before(range.end, place));
  const size = ({ range: { start, end } }: Shown): [number, number] => [
    end.line - start.line,
    end.line === start.line ? end.character - start.character : end.character,
  ];
  here.sort((one, other) => {
    const [lines, characters] = size(one);
    const [otherLines, otherCharacters] = size(other);
    return (
      lines - otherLines ||
      characters - otherCharacters ||
      one.severity - other.severity ||
      (ruleOf(one) < ruleOf(other) ? -1 : 1)
    );
  });
  return [...new Set(here.map(ruleOf))];
}

/** The rules with a finding anywhere in a document, by name. */
export function rulesOf(shown: readonly Shown[]): string[] {
  return [...new Set(ours(shown).map(ruleOf))].sort();
}

function ours(shown: readonly Shown[]): Shown[] {
  return shown.filter((one) => one.source === SOURCE && ruleOf(one) !== "");
}

function ruleOf(one: Shown): string {
  const code = typeof one.code === "object" ? one.code.value : one.code;
  return typeof code === "string" && !NO_RULES.includes(code) ? code : "";
}

function before(one: Place, other: Place): boolean {
  return one.line < other.line || (one.line === other.line && one.character < other.character);
}

/** Path of the virtual document that shows the lesson of a rule; {@link slugOf} reads it back. */
export function lessonPath(slug: string): string {
  return `/${slug}.md`;
}

/** The rule of a virtual document, or `undefined` for a path that is none. */
export function slugOf(path: string): string | undefined {
  return /^\/([a-z0-9]+(?:-[a-z0-9]+)*)\.md$/.exec(path)?.[1];
}
