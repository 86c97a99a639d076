complete -o default -C /usr/bin/undercroft undercroft
