#compdef undercroft
autoload -U +X bashcompinit && bashcompinit
complete -o default -C /usr/bin/undercroft undercroft
