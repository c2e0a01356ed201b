//! From a formula's text to terms: one pass over characters into tokens, then recursive descent.

mod forms;

use super::{Formula, FormulaError, Part, Response, Variable};

#[derive(Debug, Clone, PartialEq)]
enum Token {
    Name(String),
    /// A name in backticks, which is never `factor(`.
    Quoted(String),
    Number(String),
    /// In quotation marks.
    Text(String),
    Sign(char),
}

impl Token {
    fn described(&self) -> String {
        match self {
            Self::Name(name) | Self::Quoted(name) => format!("the name {name}"),
            Self::Number(number) => format!("the number {number}"),
            Self::Text(text) => format!("the text {text}"),
            Self::Sign(sign) => format!("\"{sign}\""),
        }
    }
}

/// Tokens with the place of their first character, counted from 1.
struct Parser<'a> {
    text: &'a str,
    tokens: Vec<(usize, Token)>,
    next: usize,
    variables: Vec<Variable>,
}

const TERM: &str = "the name of a column, factor(…), 0 or 1";

pub(super) fn parse(text: &str) -> Result<Formula, FormulaError> {
    let mut parser = Parser::of(text)?;
    let response = parser.response()?;
    if !parser.take('~') {
        return Err(parser.unexpected("\"~\""));
    }
    parser.right_side(response)
}

pub(super) fn parse_terms(text: &str) -> Result<Formula, FormulaError> {
    Parser::of(text)?.right_side(Response::FisherZ)
}

impl Formula {
    /// Every interaction has all its parts in the formula.
    fn require_parts(&self) -> Result<(), FormulaError> {
        for term in self.terms.iter().filter(|term| term.len() > 1) {
            for without in term {
                let part: Vec<usize> = term.iter().copied().filter(|v| v != without).collect();
                if !self.terms.contains(&part) {
                    return Err(FormulaError::PartMissing {
                        term: self.written(term, ":"),
                        part: self.written(&part, ":"),
                        whole: self.written(term, "*"),
                    });
                }
            }
        }
        Ok(())
    }
}

impl<'a> Parser<'a> {
    fn of(text: &'a str) -> Result<Self, FormulaError> {
        let mut parser = Self { text, tokens: Vec::new(), next: 0, variables: Vec::new() };
        parser.read_tokens()?;
        Ok(parser)
    }

    /// The terms that are left, as a formula.
    fn right_side(mut self, response: Response) -> Result<Formula, FormulaError> {
        let (intercept, mut terms) = self.sum()?;
        // A stable sort: terms of as many parts stay in the order written, as in R.
        terms.sort_by_key(Vec::len);
        if terms.is_empty() && !intercept {
            return Err(self.unexpected("a column beside the intercept taken away"));
        }
        let formula = Formula { response, intercept, variables: self.variables, terms };
        formula.require_parts()?;
        Ok(formula)
    }

    fn read_tokens(&mut self) -> Result<(), FormulaError> {
        let characters: Vec<char> = self.text.chars().collect();
        let mut i = 0;
        while i < characters.len() {
            let start = i;
            let c = characters[i];
            i += 1;
            let token = if c.is_whitespace() {
                continue;
            } else if c == '`' {
                let Some(length) = characters[i..].iter().position(|&c| c == '`') else {
                    return Err(self.error_at(start + 1, "a backtick", "another backtick after the column's name"));
                };
                let name: String = characters[i..i + length].iter().collect();
                i += length + 1;
                if name.is_empty() {
                    return Err(self.error_at(start + 1, "two backticks", "a column's name between them"));
                }
                Token::Quoted(name)
            } else if c == '"' || c == '\'' {
                let Some(length) = characters[i..].iter().position(|&other| other == c) else {
                    return Err(self.error_at(start + 1, "a quotation mark", "another one like it after the text"));
                };
                i += length + 1;
                Token::Text(characters[i - length - 1..i - 1].iter().collect())
            } else if c.is_ascii_digit() {
                while i < characters.len() && (characters[i].is_ascii_digit() || characters[i] == '.') {
                    i += 1;
                }
                Token::Number(characters[start..i].iter().collect())
            } else if c.is_alphabetic() || c == '_' || c == '.' {
                while i < characters.len() && (characters[i].is_alphanumeric() || "_.".contains(characters[i])) {
                    i += 1;
                }
                Token::Name(characters[start..i].iter().collect())
            } else {
                Token::Sign(c)
            };
            self.tokens.push((start + 1, token));
        }
        Ok(())
    }

    fn error_at(&self, place: usize, found: &str, expected: &'static str) -> FormulaError {
        FormulaError::Unexpected { formula: self.text.to_owned(), place, found: found.to_owned(), expected }
    }

    fn peek(&self) -> Option<&Token> {
        self.tokens.get(self.next).map(|(_, token)| token)
    }

    /// The place of the next token, or just behind the text.
    fn place(&self) -> usize {
        self.tokens.get(self.next).map_or(self.text.chars().count() + 1, |(place, _)| *place)
    }

    fn found(&self) -> String {
        self.peek().map_or("its end".to_owned(), Token::described)
    }

    fn unexpected(&self, expected: &'static str) -> FormulaError {
        self.error_at(self.place(), &self.found(), expected)
    }

    fn not_supported(&self, instead: &'static str) -> FormulaError {
        FormulaError::NotSupported { formula: self.text.to_owned(), place: self.place(), found: self.found(), instead }
    }

    fn take(&mut self, sign: char) -> bool {
        let there = self.peek() == Some(&Token::Sign(sign));
        self.next += usize::from(there);
        there
    }

    fn response(&mut self) -> Result<Response, FormulaError> {
        let all = [Response::FisherZ, Response::Correlation, Response::Covariance];
        let named = match self.peek() {
            Some(Token::Name(name)) => all.into_iter().find(|response| response.written() == name),
            _ => None,
        };
        let Some(response) = named else {
            return Err(self.unexpected("z (Fisher's z of each edge), r (its correlation) or covariance"));
        };
        self.next += 1;
        Ok(response)
    }

    /// Terms joined by `+`; `- 1` among them.
    fn sum(&mut self) -> Result<(bool, Vec<Vec<usize>>), FormulaError> {
        let (mut intercept, mut terms) = (true, Vec::new());
        let mut minus = self.take('-');
        if !minus {
            self.take('+');
        }
        loop {
            match self.peek() {
                Some(Token::Number(number)) if number == "1" || number == "0" => {
                    // `- 0` asks for an intercept, as in R.
                    intercept = (number == "1") != minus;
                    self.next += 1;
                }
                Some(_) if minus => {
                    return Err(self.not_supported(
                        "only the intercept can be taken away (- 1); leave the term out instead, and put a column \
                             name that contains such a sign between backticks",
                    ));
                }
                _ => {
                    for term in self.product()? {
                        if !terms.contains(&term) {
                            terms.push(term);
                        }
                    }
                }
            }
            minus = match self.peek() {
                None => return Ok((intercept, terms)),
                Some(Token::Sign('+')) => false,
                Some(Token::Sign('-')) => true,
                Some(Token::Sign('/' | '%' | '|' | '(' | '[' | '$')) => {
                    return Err(self.not_supported(
                        "compute it as a column of the table and name that column; a column name that contains such a \
                         sign goes between backticks",
                    ));
                }
                Some(Token::Name(_) | Token::Quoted(_) | Token::Number(_) | Token::Text(_)) => {
                    return Err(self.unexpected(
                        "+, -, :, * or the end (a column name that contains a blank goes between backticks)",
                    ));
                }
                Some(_) => return Err(self.unexpected("+, -, :, * or the end")),
            };
            self.next += 1;
        }
    }

    /// `a*b*c`: every choice of the parts, multiplied out.
    fn product(&mut self) -> Result<Vec<Vec<usize>>, FormulaError> {
        let mut terms = vec![self.chain()?];
        while self.take('*') {
            let factor = self.chain()?;
            // In R's order after sorting by parts: what was there, the new one, then their products.
            let products: Vec<Vec<usize>> = terms.iter().map(|term| union(term, &factor)).collect();
            terms.push(factor);
            terms.extend(products);
        }
        Ok(terms)
    }

    /// `a:b:c`: one term.
    fn chain(&mut self) -> Result<Vec<usize>, FormulaError> {
        let mut term = vec![self.variable()?];
        while self.take(':') {
            term = union(&term, &[self.variable()?]);
        }
        Ok(term)
    }

    fn variable(&mut self) -> Result<usize, FormulaError> {
        let place = self.place();
        let variable = match self.peek().cloned() {
            Some(Token::Quoted(column)) => Variable::of(column),
            Some(Token::Name(column)) => {
                let call = self.tokens.get(self.next + 1).map(|(_, token)| token) == Some(&Token::Sign('('));
                match (call, column.as_str()) {
                    (true, "factor") => return self.forced_factor(place),
                    (true, "between") => return self.part_of_column(Part::Between, place),
                    (true, "within") => return self.part_of_column(Part::Within, place),
                    (true, _) => {
                        return Err(self.not_supported(
                            "no functions but factor(), between() and within() can be called; compute it as a column \
                             of the table and name that column",
                        ));
                    }
                    (false, ".") => {
                        return Err(self.not_supported("name each column that the model should have"));
                    }
                    (false, _) => Variable::of(column),
                }
            }
            Some(Token::Sign('(')) => {
                return Err(self.not_supported("write the terms without parentheses, joined by +"));
            }
            _ => return Err(self.unexpected(TERM)),
        };
        self.next += 1;
        let variable = Variable { power: self.power()?, ..variable };
        self.number_of(variable, place)
    }

    /// `word(name`, up to what may follow the name.
    fn column_in_parentheses(&mut self) -> Result<String, FormulaError> {
        self.next += 2;
        let (Some(Token::Name(column)) | Some(Token::Quoted(column))) = self.peek().cloned() else {
            return Err(self.unexpected("the name of a column"));
        };
        self.next += 1;
        Ok(column)
    }

    /// The parenthesis after it.
    fn close(&mut self) -> Result<(), FormulaError> {
        if self.take(')') { Ok(()) } else { Err(self.unexpected("\")\" after the column's name")) }
    }

    /// `factor(name)`.
    fn forced_factor(&mut self, place: usize) -> Result<usize, FormulaError> {
        let column = self.column_in_parentheses()?;
        let reference = self.reference()?;
        self.close()?;
        self.number_of(Variable { as_factor: true, reference, ..Variable::of(column) }, place)
    }

    /// `between(name)` or `within(name)`.
    fn part_of_column(&mut self, part: Part, place: usize) -> Result<usize, FormulaError> {
        let column = self.column_in_parentheses()?;
        self.close()?;
        self.number_of(Variable { part, ..Variable::of(column) }, place)
    }

    fn number_of(&mut self, variable: Variable, place: usize) -> Result<usize, FormulaError> {
        if let Some(known) = self.variables.iter().find(|known| known.clashes(&variable)) {
            let (one, other) = (known.in_full(), variable.in_full());
            return Err(FormulaError::TwoWays { formula: self.text.to_owned(), place, one, other });
        }
        let known = self.variables.iter().position(|known| known.is_same(&variable));
        Ok(known.unwrap_or_else(|| {
            self.variables.push(variable);
            self.variables.len() - 1
        }))
    }
}

/// The parts of both, each once, in rising order.
fn union(a: &[usize], b: &[usize]) -> Vec<usize> {
    let mut out: Vec<usize> = a.iter().chain(b).copied().collect();
    out.sort_unstable();
    out.dedup();
    out
}
