function __complete_undercroft
    set -lx COMP_LINE (commandline -cp)
    test -z (commandline -ct)
    and set COMP_LINE "$COMP_LINE "
    /usr/bin/undercroft
end
complete -f -c undercroft -a "(__complete_undercroft)"
