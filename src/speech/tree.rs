//! The written forms of the allowed phrases as a tree of tokens: what phrases share at their beginning is scored once.

use crate::speech::phrases::WrittenForms;

/// A prefix tree over the written forms of a list of phrases.
#[derive(Clone, Debug, Default)]
pub struct Tree {
    nodes: Vec<Node>,
    /// Nodes of each depth, 1 token first.
    levels: Vec<Vec<usize>>,
    phrases: usize,
}

/// A token after all those on the way to it.
#[derive(Clone, Debug)]
pub struct Node {
    /// Node before this one; `None` at the first token.
    pub parent: Option<usize>,
    /// The token at this node.
    pub token: u32,
    /// All tokens from the start to here.
    pub prefix: Vec<u32>,
    /// Phrases with a written form that ends here.
    pub ends: Vec<usize>,
}

impl Tree {
    /// Builds the tree; phrase numbers are places in `phrases`.
    pub fn new(phrases: &[WrittenForms]) -> Self {
        let mut tree = Self { nodes: Vec::new(), levels: Vec::new(), phrases: phrases.len() };
        for (phrase, forms) in phrases.iter().enumerate() {
            for tokens in &forms.tokens {
                tree.insert(phrase, tokens);
            }
        }
        tree
    }

    /// All nodes; a node's parent always comes before it.
    pub fn nodes(&self) -> &[Node] {
        &self.nodes
    }

    /// Node numbers by depth, first tokens first.
    pub fn levels(&self) -> &[Vec<usize>] {
        &self.levels
    }

    /// Number of phrases.
    pub fn phrases(&self) -> usize {
        self.phrases
    }

    fn insert(&mut self, phrase: usize, tokens: &[u32]) {
        let mut parent = None;
        for (depth, &token) in tokens.iter().enumerate() {
            if self.levels.len() == depth {
                self.levels.push(Vec::new());
            }
            let known = self.levels[depth]
                .iter()
                .copied()
                .find(|&node| self.nodes[node].parent == parent && self.nodes[node].token == token);
            let node = known.unwrap_or_else(|| {
                self.nodes.push(Node { parent, token, prefix: tokens[..=depth].to_vec(), ends: Vec::new() });
                self.levels[depth].push(self.nodes.len() - 1);
                self.nodes.len() - 1
            });
            parent = Some(node);
        }
        if let Some(last) = parent
            && !self.nodes[last].ends.contains(&phrase)
        {
            self.nodes[last].ends.push(phrase);
        }
    }
}
