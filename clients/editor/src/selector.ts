/**
 * Which texts are circuit documents.  The editor has no language of its own for them: they are YAML or JSON files
 * that say `format: thumbrule/1`, so the text decides, and the globs of the settings where the text does not yet.
 */

/** Languages whose files may declare the format. */
export const LANGUAGES = ["yaml", "json", "jsonc"] as const;

/** Schemes of documents that a server on this machine can be asked about. */
export const SCHEMES = ["file", "untitled"] as const;

const FORMAT = "thumbrule/";
/** The declaration stands near the top; a large file of some other kind is not read to its end. */
const HEAD = 16_384;
const YAML_LINE = /^(["']?)format\1[ \t]*:[ \t]+["']?thumbrule\//m;

/**
 * True when the text declares the format as a member of its outermost mapping, in either spelling.
 *
 * A half-typed document still counts once that one line stands; a comment, a nested mapping or a longer text in
 * quotation marks does not.
 */
export function declaresFormat(text: string): boolean {
  const head = text.slice(0, HEAD).replace(/^\uFEFF/, "").replace(/\r\n?/g, "\n");
  return /^\s*\{/.test(withoutComments(head)) ? bracedDeclares(head) : YAML_LINE.test(head);
}

/** Comment lines of YAML above the document do not hide that it is a braced one. */
function withoutComments(text: string): string {
  return text.replace(/^(?:[ \t]*(?:#.*|---[ \t]*)?\n)*/, "");
}

/** Looks for the member at depth one; what stands in quotation marks cannot open or close anything. */
function bracedDeclares(text: string): boolean {
  const token = /"(?:[^"\\\n]|\\.)*"|'[^'\n]*'|#.*|\/\/.*|[{}[\]]/g;
  let depth = 0;
  for (let found = token.exec(text); found !== null; found = token.exec(text)) {
    const piece = found[0];
    if (piece === "{" || piece === "[") depth += 1;
    else if (piece === "}" || piece === "]") depth -= 1;
    else if (depth === 1 && piece.slice(1, -1) === "format") {
      const value = /^\s*:\s*["']?/.exec(text.slice(token.lastIndex));
      if (value !== null && text.startsWith(FORMAT, token.lastIndex + value[0].length)) return true;
    }
  }
  return false;
}

/**
 * Globs of the settings as patterns for whole paths.  One without a leading `/` or `**` counts anywhere below the
 * root, as people expect of such a setting.
 */
export function pathPatterns(globs: readonly string[]): string[] {
  const whole = (glob: string): string =>
    glob.startsWith("/") || glob.startsWith("**") || /^[A-Za-z]:/.test(glob) ? glob : `**/${glob.replace(/^\.\//, "")}`;
  return [...new Set(globs.map((glob) => whole(glob.trim())).filter((glob) => glob !== "**/"))];
}

/** A document as far as the choice needs it. */
export interface Candidate {
  readonly scheme: string;
  readonly languageId: string;
  /** True when a glob of the settings matches its path. */
  readonly named: boolean;
  readonly text: () => string;
}

/** True when the server is to be asked about a document. */
export function isCircuit(document: Candidate): boolean {
  if (!(SCHEMES as readonly string[]).includes(document.scheme)) return false;
  if (document.named) return true;
  return (LANGUAGES as readonly string[]).includes(document.languageId) && declaresFormat(document.text());
}
